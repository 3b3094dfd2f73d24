"""The bus logger notes what its pins carry: wired right, reversed, exchanged, and on lines that are odd for all."""

import pytest

from simkit import Machine
from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import Done, Entry
from simkit.machinefile.read import read_description

LOGGER = 6
ADDED = f"""
[[card]]
slot = {LOGGER}
kind = "bus-logger"
select = "xxxx xxxx xxxx xxxx"
output_enable = "GND"
write_enable = "PHI2"
[card.settings]
keeps = "first"
depth = 64
"""
NOPS = bytearray(b"\xea" * 0x8000)
NOPS[0x7FFC:0x7FFE] = b"\x00\x80"
NOPS[0x10:0x19] = bytes.fromhex("A9 42 85 10 A5 10 4C 10 80")


@pytest.fixture
def logged(tmp_path):
    """What the logger of a machine notes, on both engines, and the machine."""
    base = Machine.load("demo:bench").description.path.as_posix()
    (tmp_path / "machine.toml").write_text(f'base = "{base}"\n{ADDED}')

    def run(*wiring, cycles=60):
        made = [
            Machine.load(tmp_path, images={2: bytes(NOPS)}, wiring=wiring, engine=engine)
            for engine in ("exact", "core")
        ]
        for m in made:
            m.run(cycles=cycles)
        assert made[0].save_state() == made[1].save_state()
        m = made[1]
        return m.bus.seats[-1].card.log, m

    return run


def mirrored(number, bits):
    return int(f"{number:0{bits}b}"[::-1], 2)


def test_it_notes_each_cycle_as_a_probe_sees_it(logged):
    log, m = logged()
    seen = []
    again = Machine.load(m.description.path, images={2: bytes(NOPS)})
    again.add_probe(lambda one: seen.append((one.cycle, one.address, one.data, one.is_write)))
    again.run(cycles=60)
    assert log == tuple(seen[:64])
    assert (5, 0xFFFC, 0x00, False) in log
    assert any(is_write and (address, byte) == (0x10, 0x42) for _, address, byte, is_write in log)
    assert "cycle 5: read $00 at $FFFC" in m.cards[LOGGER].words()


def test_wired_in_reverse_it_shows_mirror_images_while_the_machine_runs_well(logged):
    """$57 where the ROM holds $EA, the vectors at $3FFF and $BFFF."""
    straight, plain = logged()
    turned, m = logged(f"slot {LOGGER}: data pins reversed", f"slot {LOGGER}: address pins reversed")
    assert turned == tuple((at, mirrored(address, 16), mirrored(byte, 8), low) for at, address, byte, low in straight)
    assert [address for at, address, _, _ in turned if at in (5, 6)] == [0x3FFF, 0xBFFF]
    assert next(byte for at, _, byte, _ in turned if at == 7) == 0x57
    assert (m.cpu.pc, m.cpu.a, m.peek(0x10)) == (plain.cpu.pc, plain.cpu.a, plain.peek(0x10))
    assert not m.findings
    assert "cycle 7: read $57 at $0001" in m.cards[LOGGER].words()


def test_pins_may_be_exchanged_or_open_one_by_one(logged):
    straight, _ = logged()
    swapped, _ = logged(f"slot {LOGGER}: D0 exchanged with D7", f"slot {LOGGER}: pin A15 low")
    for (_, address, byte, _), (_, other, turned, _) in zip(straight, swapped, strict=True):
        assert other == address & 0x7FFF
        assert turned == byte & 0x7E | byte >> 7 | (byte & 1) << 7


@pytest.mark.parametrize(
    ("wiring", "entry"),
    [
        ("slot 6: D0 to D7 reversed", Entry(Done.REVERSED, "D0", "D7", 6, True)),
        ("slot 6: data lines reversed", Entry(Done.REVERSED, "D0", "D7", 6, True)),
        ("slot 6: pins A15 to A0 are reversed", Entry(Done.REVERSED, "A0", "A15", 6, True)),
        ("slot 6: A0 to A3 reversed", Entry(Done.REVERSED, "A0", "A3", 6)),
        ("the data lines are reversed", Entry(Done.REVERSED, "D0", "D7")),
        ("CPU: D4 to D7 reversed", Entry(Done.REVERSED, "D4", "D7")),
    ],
)
def test_a_row_of_pins_or_lines_is_reversed_in_one_sentence(wiring, entry):
    assert read_sentence(wiring) == entry
    assert read_sentence(str(entry)) == entry
    pairs = [(part.name, part.other) for part in entry.parts()]
    row, last = entry.name[0], int(entry.other[1:])
    assert pairs[0] == (entry.name, f"{row}{last}")
    assert {part.done for part in entry.parts()} == {Done.EXCHANGED}


def test_a_row_that_is_none_is_refused_in_words(tmp_path):
    for text, words in (
        ("D0 to A7 reversed", "is no row"),
        ("D0 to D9 reversed", "no line D9"),
        ("D3 reversed", '"D0 to D7 reversed"'),
        ("slot 4: pins A0 to A15 reversed", "the card has no pin 'A15'"),
    ):
        with pytest.raises(Exception, match=words):
            read_description("demo:bench", wiring=[text])
