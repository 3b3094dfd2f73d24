"""What the card tells people of its registers and memory, against sets of addresses from the maker's formulas.

[PG] is Texas Instruments, Video Display Processors Programmer's Guide, 1984; [YOUNG] is S. Young, TMS9918A VDP, almost
complete description including undocumented features, 0.4.2, 2002.
"""

import itertools
import random
import re

import pytest
from simkit_cards.tile_video.tables import Mode, areas, decode, used_registers
from simkit_cards.tile_video.words import inside_words, memory_words, register_words, screen_text, sprite_words

SHARED = re.compile(r"\$(....)-\$(....)  shared by (.+) and (.+)")


def registers_of(mode, rng, on=True):
    """Random registers of a mode, whose bits are M1 M2 M3."""
    registers = bytearray(rng.randrange(256) for _ in range(8))
    registers[0] = registers[0] & 0xFD | (mode & 1) << 1
    registers[1] = registers[1] & 0xA7 | (mode & 4) << 2 | (mode & 2) << 2 | on << 6
    return bytes(registers)


def in_use(r):
    """By table: its addresses. [PG] 5.1.3 to 5.1.7, table 8-1; thirds and masks [YOUNG] 3.3 to 3.7."""
    m1, m2, m3 = r[1] & 0x10, r[1] & 0x08, r[0] & 0x02
    if m1 and m2:
        return {}
    offsets = range(3 * 2048)
    found = {"name table": {(r[2] & 15) * 1024 + n for n in range(960 if m1 else 768)}}
    if m3:
        mask = (r[4] & 3) * 2048 + 2047
        found["pattern table"] = {(r[4] & 4) * 2048 + (n & mask) for n in offsets}
    else:
        found["pattern table"] = {(r[4] & 7) * 2048 + n for n in range(1536 if m2 else 2048)}
    if not m1 and not m2:
        mask = (r[3] & 127) * 64 + 63
        found["colour table"] = {(r[3] & 128) * 64 + (n & mask) for n in offsets} if m3 else {
            r[3] * 64 + n for n in range(32)
        }  # fmt: skip
    if not m1:
        found["sprite attribute table"] = {(r[5] & 127) * 128 + n for n in range(128)}
        found["sprite pattern table"] = {(r[6] & 7) * 2048 + n for n in range(2048)}
    return found


@pytest.mark.parametrize("mode", Mode)
def test_tables_reach_from_the_first_to_the_last_address_in_use_and_what_they_share_is_told(mode):
    rng = random.Random(mode)
    for _ in range(40):
        registers = registers_of(mode, rng)
        spans = {what: (min(places), max(places)) for what, places in in_use(registers).items()}
        tables = decode(registers)
        assert {area.what: (area.start, area.end - 1) for area in areas(tables)} == spans
        by_address = sorted(spans.items(), key=lambda item: item[1][0])
        lines = memory_words(tables)
        assert [line[:5] for line in lines[: len(spans)]] == [f"${first:04X}" for _, (first, _) in by_address]
        assert set(lines[: len(spans)]) == {
            f"${first:04X}-${last:04X}  {what}" for what, (first, last) in spans.items()
        }
        shared = {
            (max(first, start), min(last, end), frozenset((one, other)))
            for (one, (first, last)), (other, (start, end)) in itertools.combinations(by_address, 2)
            if {*range(first, last + 1)} & {*range(start, end + 1)}
        }
        told = [SHARED.fullmatch(line).groups() for line in lines[len(spans) :]]
        assert {(int(start, 16), int(end, 16), frozenset(names)) for start, end, *names in told} == shared
        assert len(told) == len(shared)


@pytest.mark.parametrize("mode", Mode)
def test_registers_that_the_mode_does_not_use_are_said_so(mode):
    rng = random.Random(mode)
    for _ in range(20):
        lines = register_words(registers_of(mode, rng))[:8]
        unused = {number for number, line in enumerate(lines) if "not used in this mode" in line}
        assert unused == set(range(2, 7)) - set(used_registers(mode))


@pytest.mark.parametrize("mode", Mode)
@pytest.mark.parametrize("on", [True, False])
@pytest.mark.parametrize("offset", [0, 0x20, 0xE0])
def test_names_are_read_as_characters_in_the_modes_that_show_patterns_by_name(mode, on, offset):
    """[PG] 8.1, 8.3, 8.5 and [YOUNG] 3.6; blank lines above and below and blanks at the right are left out."""
    rng = random.Random(mode)
    tables = decode(registers_of(mode, rng, on))
    memory = bytearray(rng.randrange(256) for _ in range(0x4000))
    width = 40 if mode & 4 else 32
    names = [rng.choice((0x20, 0x20, rng.randrange(256))) for _ in range(24 * width)]
    memory[tables.name : tables.name + len(names)] = bytes(names)
    codes = [(name + offset) % 256 for name in memory[tables.name : tables.name + len(names)]]
    rows = [
        "".join(chr(c) if 32 <= c <= 126 else " " for c in codes[n : n + width]) for n in range(0, len(codes), width)
    ]
    shows = on and mode in (Mode.GRAPHICS_1, Mode.GRAPHICS_2, Mode.TEXT, Mode.TEXT_THIRDS)
    expected = "\n".join(row.rstrip() for row in rows).strip("\n") if shows else ""
    assert screen_text(memory, tables, offset) == expected


GRAPHICS = bytes.fromhex("00 C0 0E 80 00 76 03 01")
"""Graphics I, display on, small sprites: attributes at $3B00, patterns at $1800."""


def with_sprites(*entries):
    memory = bytearray(0x4000)
    memory[0x1808:0x1810] = b"\x18" * 8  # pattern 1; pattern 0 has no dot
    memory[0x3B00 : 0x3B00 + 4 * len(entries)] = bytes(byte for entry in entries for byte in entry)
    return memory


def test_sprites_that_show_nothing_share_a_line():
    """[PG] 8.4: colour 0 is transparent; Y 191 to 224 lies below the picture."""
    idle = (100, 20, 1, 0), (200, 20, 1, 5), (100, 20, 0, 5)
    memory = with_sprites((99, 10, 1, 7), *idle, (50, 10, 1, 3), *[(100, 20, 1, 0)] * 2, (0xD0, 0, 0, 0))
    lines = [line for line in inside_words(memory, GRAPHICS, 0xFF) if "sprite " in line or "sprites " in line][-4:]
    assert lines[0].startswith("sprite 0: top line 100, left dot 10")
    assert lines[1].startswith("sprite 4: top line 51")
    assert lines[2].startswith("sprite 7: Y = $D0 ends the list")
    assert lines[3].endswith("sprites 1 to 3, 5 to 6")
    assert len(sprite_words(memory, decode(GRAPHICS))) == 8  # the whole list has each


@pytest.mark.parametrize(
    ("registers", "set_once", "told"),
    [
        (GRAPHICS, 0x00, {"no"}),
        (GRAPHICS, 0x02, {"register"}),  # the mode is chance
        (GRAPHICS, 0x03, {"register", "table"}),  # where sprites lie is chance
        (GRAPHICS, 0xFF, {"register", "table", "sprite"}),
        (bytes.fromhex("00 80 0E 80 00 76 03 01"), 0xFF, {"register", "table"}),  # display blanked
    ],
)
def test_what_was_never_set_is_not_told(registers, set_once, told):
    lines = inside_words(with_sprites((99, 10, 1, 7), (0xD0, 0, 0, 0)), registers, set_once)
    assert {"table" if line.startswith("$") else line.split()[0] for line in lines} == told
