"""Small ROMs with the classic mistakes of drivers: the symptom shows, the finding names it, the right twin is silent.

Each test names who published the symptom, and the rule behind it. [PG] is Texas Instruments, Video Display Processors
Programmer's Guide, 1984; [YOUNG] is S. Young, TMS9918A VDP, almost complete description including undocumented
features, 0.4.2, 2002; [PARTS] is M. Hagerty, measurements on parts: version history and comments (tests on parts).
"""

from pathlib import Path

import pytest

from simkit import Machine

ROOT = Path(__file__).resolve().parents[3]
MISTAKES = ROOT / "roms" / "video-mistakes"


def rules(machine):
    return {finding.rule for finding in machine.findings}


def video(machine):
    return next(seat.card for seat in machine.bus.seats if seat.slot == 5)


def vram(machine, start, count):
    return list(video(machine).look(machine.cycle)[0][start : start + count])


def test_every_mistake_has_a_right_twin():
    names = {path.stem for path in MISTAKES.glob("*.asm")}
    assert {f"{name}-right" for name in names if not name.endswith("-right")} <= names


@pytest.mark.parametrize("name", sorted(path.stem for path in MISTAKES.glob("*-right.asm")))
def test_right_twin_breaks_no_rule(name, after):
    assert rules(after(name)) == set()


def test_interrupt_between_the_bytes_of_a_pair(after):
    """LM80C issue 9 (screen scrambled by interrupts); [YOUNG] 2.3."""
    machine = after("pair-broken", 1)
    assert "video-pair-broken" in rules(machine)
    assert video(machine).look(machine.cycle)[1][6] == 0x87
    right = video(after("pair-broken-right", 1))
    assert right.look(0)[1][6:] == bytes([0x00, 0xF6])
    assert "whose first came in cycle" in next(f for f in machine.findings if f.rule == "video-pair-broken").message


def test_status_not_read_in_the_handler(after):
    """[PG] 5.2.1 note; LM80C issue 9 (no further interrupt until the status is read)."""
    machine = after("status-not-read")
    assert "video-interrupt-unanswered" in rules(machine)
    before = machine.peek(0x10, 1)
    machine.run(seconds=0.1)
    assert machine.peek(0x10, 1) == before  # the main program stands still
    assert not machine.lines["IRQ"].level
    right = after("status-not-read-right")
    assert right.peek(0x12) in range(14, 20)  # handler entries in what is left of 0.35 s after the set-up


def test_names_written_too_fast(after):
    """FUZIX issue 1085 (cured by more delay); [PG] appendix B: up to 8 us in graphics I."""
    machine = after("too-fast")
    assert rules(machine) == {"video-access-too-soon"}
    names = vram(machine, 5 * 1024, 256)
    assert names != list(range(256))
    assert sorted(set(names) - {0}) == [n for n in names if n]  # what is left keeps its order, moved down
    finding = next(iter(machine.findings))
    assert finding.address == 0x7F30
    assert "graphics I" in finding.message
    assert "4.50 us after the one before, which may take 8.0 us: 3.50 us too soon" in finding.message
    assert vram(after("too-fast-right"), 5 * 1024, 256) == list(range(256))


def test_too_fast_names_with_other_settings(after):
    kept = after("too-fast", settings={5: {"too_soon": "both kept"}})
    assert vram(kept, 5 * 1024, 256) == list(range(256))
    assert "video-access-too-soon" in rules(kept)
    newer = after("too-fast", settings={5: {"too_soon": "newer lost"}})
    assert vram(newer, 5 * 1024, 1) == [0]
    assert vram(newer, 5 * 1024, 256) != list(range(256))
    worst, window = after("too-fast"), after("too-fast", settings={5: {"pacing": "window"}})
    assert 0 < window.findings.count("video-access-too-soon") < worst.findings.count("video-access-too-soon")
    assert vram(worst, 5 * 1024, 256) == vram(window, 5 * 1024, 256)


def test_sprite_list_without_an_end(after):
    """[PG] 9.2.1; memory undefined at power-up: data manual 2.1.7, quoted by [PARTS]."""
    machine = after("no-end-of-sprites")
    assert rules(machine) == {"video-sprites-never-written"}
    assert "from 4 on" in next(iter(machine.findings)).message
    right = after("no-end-of-sprites-right")
    assert (machine.screen.pixels != right.screen.pixels).any()


def test_first_byte_read_at_once_is_stale(after):
    """LM80C issue 15 (delay after a read set-up); [PG] appendix B."""
    machine = after("first-byte-stale")
    assert rules(machine) == {"video-access-too-soon"}
    assert machine.peek(0x10) != 0x5A
    assert "the byte read is the old one" in next(iter(machine.findings)).message
    assert after("first-byte-stale-right").peek(0x10) == 0x5A


def test_register_write_destroys_the_address(after):
    """Data manual page 2-1, quoted by [PARTS]."""
    machine = after("address-lost")
    assert rules(machine) == {"video-address-lost"}
    assert vram(machine, 0x1400, 2) == [0x41, 0]
    assert vram(machine, 0x0704, 1) == [0x42]
    assert vram(after("address-lost-right"), 0x1400, 2) == [0x41, 0x42]


def test_indexed_store_reads_first(after):
    """MOS Technology, MCS6500 Hardware Manual, 1976, A.3.4: a store to absolute,X reads first; [YOUNG] 2.3.

    Forum 6502.org topic 4992 has the same on another chip.
    """
    machine = after("indexed-store")
    assert {"video-dummy-read", "video-pair-broken"} <= rules(machine)
    assert video(machine).look(machine.cycle)[1][7] == 0x04
    assert video(after("indexed-store-right")).look(0)[1][7] == 0x06


def test_indexed_stores_skip_every_other_byte(after):
    """Blog on a plug-in sprite card with the chip, 2017: every other byte is skipped; [YOUNG] 2.1.

    Read and write are one cycle apart: whether both step the counter is not published, a setting chooses.
    """
    for too_soon, step in (("older lost", 1), ("both kept", 2)):
        machine = after("indexed-data", settings={5: {"too_soon": too_soon}})
        assert rules(machine) >= {"video-dummy-read", "video-access-too-soon"}
        assert vram(machine, 0x1400 + step - 1, 16)[::step][:8] == list(range(32, 40))
    assert vram(after("indexed-data-right"), 0x1400, 8) == list(range(32, 40))


def test_memory_loaded_in_4k_addressing(after):
    """[YOUNG] 2.1; [PG] 5.1.2."""
    machine = after("loaded-in-4k")
    assert rules(machine) == {"video-4k-addressing"}
    assert vram(machine, 0x0040, 1) == [0]
    assert vram(machine, 0x0080, 1) == [0x5A]


def test_sprite_moved_to_the_end_of_the_list(after):
    """[PG] 9.2.1. No rule is broken; the words of the card tell."""
    machine = after("list-ends-early")
    words = machine.card(5).words()
    assert "sprite 1: Y = $D0 ends the list; 30 entries after it unused" in words
    assert "hidden by that, though their Y lies in the picture: 2" in words
    assert set(machine.screen.pixels[61:69].flat) == {4}
    assert 4 in machine.screen.pixels[21:29]
    right = after("list-ends-early-right").card(5).words()
    assert "sprite 3: Y = $D0 ends the list; 28 entries after it unused" in right
    assert not any("hidden by that" in line for line in right)


def test_interrupt_enabled_with_the_flag_still_up(after):
    """[YOUNG] 2.4."""
    assert "video-stale-interrupt" in rules(after("enabled-too-late"))


def test_memory_never_written(after):
    """Memory and registers 2 to 7 are undefined at power-up: data manual 2.1.7, quoted by [PARTS]."""
    machine = after("colours-never-written")
    assert rules(machine) == {"video-table-never-written"}
    assert "colour of name" in machine.findings[0].message
    others = after("colours-never-written", seed=2).screen.pixels
    assert (machine.screen.pixels != others).any()
    right, again = (after("colours-never-written-right", seed=seed).screen.pixels for seed in (1, 2))
    assert (right == again).all()


def test_seven_of_eight_registers_written(after):
    """Forum thread "65C02 with TMS9918A - black screen", April 2025: the set-up loop counted one short."""
    machine = after("one-register-short")
    assert rules(machine) == {"video-register-never-written"}
    assert "register 7 was never written" in machine.findings[0].message
    words = machine.card(5).words()
    assert any(line.startswith("register 7 = $") and line.endswith("NEVER WRITTEN") for line in words)
    assert video(machine).look(0)[1][7] & 0x0F != 4
    right = after("one-register-short-right")
    assert video(right).look(0)[1][7] & 0x0F == 4
    assert not any("NEVER WRITTEN" in line for line in right.card(5).words())


def test_flag_polled(after):
    """[PARTS] v1.5, v1.9: frames missed under heavy polling. How wide the moment is, nobody published: a setting."""
    race = {5: {"poll_race": "on"}}
    machine = after("flag-polled", 0.8, settings=race)
    lost = machine.findings.count("video-flag-lost")
    assert lost > 0
    assert rules(machine) == {"video-flag-lost"}
    sound, by_interrupt = after("flag-polled", 0.8), after("flag-polled-right", 0.8, settings=race)
    assert rules(sound) == rules(by_interrupt) == set()
    assert sound.peek(0x12) - machine.peek(0x12) == lost
    assert abs(sound.peek(0x12) - by_interrupt.peek(0x12)) <= 1


def test_flag_polled_is_the_same_on_both_engines(after):
    """Skipped polls end before the moment in which a read can lose the flag."""
    race = {5: {"poll_race": "on"}}
    exact = after("flag-polled", 0.6, settings=race, engine="exact")
    translated = after("flag-polled", 0.6, settings=race, engine="auto")
    assert exact.findings.count("video-flag-lost") > 0
    assert list(exact.findings) == list(translated.findings)
    assert exact.save_state() == translated.save_state()


def test_mask_bits_of_graphics_2_not_all_ones(after):
    """[PG] notes at 5.1.4 and 5.1.5, 8.4.2. No rule is broken; the words show the masks."""
    wrong, right = after("masks-not-ones"), after("masks-not-ones-right")
    thirds = [wrong.screen.pixels[start : start + 64] for start in (0, 64, 128)]
    assert (thirds[0] == thirds[1]).all()
    assert (thirds[0] == thirds[2]).all()
    words = "\n".join(wrong.card(5).words())
    assert "patterns at $0000, offset mask $07FF: thirds share patterns" in words
    assert "colours at $2000, offset mask $003F: bits of the mask are clear" in words
    rows = [right.screen.pixels[start, :8].tolist() for start in (0, 64, 128)]
    assert rows == [[10] * 8, [1] * 4 + [7] * 4, [4, 15] * 4]


def test_sprite_one_line_low(after):
    """[PG] 9.2.1: Y = 0 is the second line. No rule is broken; the words tell the true line."""
    for name, top in (("one-line-low", 97), ("one-line-low-right", 96)):
        machine = after(name)
        lines = [line for line in range(192) if 15 in machine.screen.pixels[line, 40:48]]
        assert lines == list(range(top, top + 8))
        assert any(line.startswith(f"sprite 0: top line {top}, left dot 40") for line in machine.card(5).words())


@pytest.mark.parametrize(
    ("clock", "mode", "too_soon"),
    [
        ("1 MHz", 0xC0, False), ("2 MHz", 0xC0, True), ("4 MHz", 0xC0, True),
        ("1 MHz", 0x80, False), ("2 MHz", 0x80, False), ("4 MHz", 0x80, False),
        ("1 MHz", 0xD0, False), ("2 MHz", 0xD0, False), ("4 MHz", 0xD0, True),
    ],
)  # fmt: skip
def test_stores_nine_cycles_apart_on_the_bench_machine(clock, mode, too_soon):
    """Two hardware projects' trackers, 2020 and 2024: missing rows in letters above about 1 MHz.

    Stores 9 us, 4.5 us, 2.25 us apart against 8 us (graphics), 3.1 us (text), 2 us (display off): Texas Instruments,
    Video Display Processors Programmer's Guide, 1984, appendix B.
    """
    rom = bytearray(b"\xea" * 0x8000)
    rom[:11] = bytes.fromhex("A2 00 8E 00 70 E8 D0 FA 4C 08 80")
    rom[0x7FFA:] = bytes.fromhex("00 80 00 80 00 80")
    machine = Machine.load(ROOT / "demo" / "bench", clock=clock, images={2: bytes(rom)})
    card = video(machine)
    state = card.save(0)
    registers = [0, mode, 5, 0x80, 1, 0x20, 0, 1]
    memory = bytes(0x1000) + b"\xd0" + bytes(0x2FFF)
    card.load({**state, "registers": registers, "frame_registers": registers, "memory": memory, "frame_memory": memory})
    machine.run(cycles=6000)
    assert (machine.findings.count("video-access-too-soon") > 0) is too_soon
    narrow = machine.findings.count("video-write-strobe-too-narrow")
    assert narrow == (1 if clock == "4 MHz" else 0)  # PHI2 is high for 125 ns at 4 MHz; the chip wants 200


def test_a_finding_names_its_instruction_in_both_engines_however_late_the_write_was_handed_over(after):
    """A probe tells which instruction made the access in the finding's cycle."""
    told = 0
    for name in ("too-fast", "indexed-data", "pair-broken"):
        exact, core = after(name, 0.073, engine="exact"), after(name, 0.08)
        instruction: dict[int, int] = {}
        under_way = [0]

        def probe(cycle, instruction=instruction, under_way=under_way):
            if cycle.is_fetch and cycle.kind == "instruction":
                under_way[0] = cycle.address
            instruction[cycle.cycle] = under_way[0]

        exact.bus.watchers.add(probe=probe)
        exact.run(cycles=core.cycle - exact.cycle)
        assert list(exact.findings) == list(core.findings), name
        named = [finding for finding in exact.findings if finding.pc is not None and finding.cycle in instruction]
        assert all(finding.pc == instruction[finding.cycle] for finding in named), name
        told += len(named)
    assert told > 20
