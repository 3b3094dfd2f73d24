"""The Python surface of a machine: runs to a moment, peeks, snapshots, determinism, bad input."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.machine.snapshot import SnapshotError
from simkit.machine.until import MomentError
from tests.shed import SHED

COUNTER = "A2 00 86 10 E8 86 10 4C 04 80"  # LDX #0; STX $10; loop: INX; STX $10; JMP loop


def image(code, at=0x8000, **vectors):
    rom = bytearray(b"\xff" * 0x8000)
    body = bytes.fromhex(code)
    rom[at - 0x8000 : at - 0x8000 + len(body)] = body
    for name, offset in (("nmi", 0x7FFA), ("reset", 0x7FFC), ("irq", 0x7FFE)):
        rom[offset : offset + 2] = vectors.get(name, 0x8000).to_bytes(2, "little")
    return bytes(rom)


@pytest.fixture
def shed(tmp_path):
    def build(code=COUNTER, text=SHED, **options):
        path = tmp_path / "machine.toml"
        path.write_text(text)
        return Machine.load(path, images={2: image(code)}, **options)

    return build


def test_time_starts_with_the_seven_reset_cycles_and_stops_at_instruction_boundaries(shed):
    """Reset takes seven cycles, the vector comes in the last two: W65C02S data sheet, section 3 (RESB)."""
    m = shed()
    assert m.cycle == 0
    assert m.step() == 7
    assert m.cpu.pc == 0x8000
    assert m.step() == 9  # LDX #
    assert m.run(cycles=1) == 12  # STX zp takes three
    assert m.peek(0x10) == 0


def test_runs_end_at_the_moment_that_was_named(shed):
    m = shed()
    m.labels.add("loop", 0x8004)
    m.run(label="loop")
    assert m.cpu.pc == 0x8004
    m.run(until=lambda m: m.peek(0x10) == 9)
    assert m.peek(0x10) == 9
    m.run(access=0x0010)
    assert m.cpu.pc == 0x8007
    cycle = m.cycle
    assert m.run(seconds=0.001) - cycle in range(1000, 1003)


def test_exactly_one_moment_must_be_named(shed):
    m = shed()
    with pytest.raises(SimkitError, match="not 0"):
        m.run()
    with pytest.raises(SimkitError, match=r"not 2 \(cycles, label\)"):
        m.run(cycles=1, label="x")
    with pytest.raises(SimkitError, match="no label 'lop'"):
        m.run(label="lop")


def test_a_moment_that_does_not_come_says_where_the_program_is(shed):
    m = shed()
    with pytest.raises(MomentError, match=r"The condition did not come up to cycle 1\d\d\d \(\$80"):
        m.run(until=lambda m: False, timeout=0.001)


def test_a_halted_cpu_ends_the_run_and_time_can_pass_on(shed):
    m = shed("A9 01 DB")  # STP
    m.run(cycles=1000)
    assert m.cycle < 20
    assert "$8002" in m.cpu.halted
    m.run(cycles=1000)
    assert m.cycle >= 1000
    with pytest.raises(MomentError, match=r"The CPU was stopped by STP at \$8002 before the condition came"):
        m.run(until=lambda m: False)
    m.reset()
    m.run(cycles=30)
    assert m.cpu.pc in (0x8000, 0x8002, 0x8003)


def test_ports_that_are_not_there_or_several_are_named(shed):
    with pytest.raises(SimkitError, match="No card of this machine has a screen"):
        shed().screen.text()


def test_peek_and_poke_reach_memory_without_a_bus_cycle(shed):
    m = shed()
    m.poke(0x0200, 0xAB)
    m.poke(0x8004, 0xEA)  # also ROM
    assert m.peek(0x0200) == 0xAB
    assert m.peek(0x8003, 3) == bytes.fromhex("10 EA 86")
    assert m.cycle == 0
    with pytest.raises(SimkitError, match="not an address"):
        m.peek(0x10000)
    with pytest.raises(SimkitError, match="not a byte"):
        m.poke(0, 256)


def test_poking_where_no_memory_is_says_so(shed):
    m = shed(text=SHED.replace("0xxx xxxx", "00xx xxxx"))
    with pytest.raises(SimkitError, match=r"no memory at \$4000"):
        m.poke(0x4000, 1)


def test_the_last_instructions_and_what_comes_next(shed):
    m = shed()
    m.labels.add("loop", 0x8004)
    m.run(cycles=100)
    last = m.last(3)
    assert [e.address for e in last] == [0x8004, 0x8005, 0x8007] or len(last) == 3
    assert last == sorted(last, key=lambda e: e.cycle)
    assert any(e.label == "loop" for e in m.last(5))
    assert [i.length for i in m.disassemble(0x8000, 3)] == [2, 2, 1]


def test_a_probe_sees_every_cycle_and_can_be_removed(shed):
    m = shed()
    seen = []
    handle = m.add_probe(seen.append)
    m.run(cycles=20)
    assert [b.cycle for b in seen] == list(range(m.cycle))
    assert [b.kind for b in seen[:8]] == ["reset"] * 7 + ["instruction"]
    assert [b.address for b in seen[5:10]] == [0xFFFC, 0xFFFD, 0x8000, 0x8001, 0x8002]
    assert seen[7].is_fetch
    store = next(b for b in seen if b.is_write)
    assert (store.address, store.data, store.drivers, store.selected) == (0x0010, 0, (), (1,))
    handle.remove()
    handle.remove()
    count = len(seen)
    m.run(cycles=20)
    assert len(seen) == count


def test_a_probe_changes_nothing(shed):
    plain, probed = shed(), shed()
    probed.add_probe(lambda b: None)
    plain.run(cycles=5000)
    probed.run(cycles=5000)
    assert plain.save_state() == probed.save_state()


def test_save_load_and_continue_equals_running_through(shed):
    m = shed()
    m.run(cycles=1234)
    state, cycle = m.save_state(), m.cycle
    m.run(cycles=4321)
    through = m.save_state()
    again = shed()
    again.load_state(state)
    assert again.cycle == cycle
    again.run(cycles=4321)
    assert again.save_state() == through


def test_a_state_that_is_damaged_changes_nothing(shed):
    m = shed()
    m.run(cycles=500)
    before = m.save_state()
    for damage in (before[:-40], b"", b"PK\x05\x06" + bytes(18), before[: len(before) // 2], b"not a zip" * 9):
        with pytest.raises(SnapshotError):
            m.load_state(damage)
        assert m.save_state() == before


def test_a_state_of_another_machine_is_refused(shed):
    state = shed().save_state()
    with pytest.raises(SnapshotError, match="that of another machine"):
        shed(seed=2).load_state(state)
    with pytest.raises(SnapshotError, match="that of another machine"):
        shed("EA").load_state(state)


def test_power_cycle_starts_again_from_noise(shed):
    m = shed()
    fresh = m.save_state()
    m.run(cycles=500)
    m.power_cycle()
    assert m.cycle == 0
    assert m.save_state() == fresh


def test_seeds_change_what_memory_holds_at_power_up(shed):
    assert shed(seed=1).peek(0x300, 64) != shed(seed=2).peek(0x300, 64)
    assert shed(seed=1).peek(0x300, 64) == shed(seed=1).peek(0x300, 64)


@pytest.mark.parametrize(
    ("text", "images", "words"),
    [
        (SHED, {}, ["slot 2 (rom), image", "the card has no image", "--image"]),
        (SHED, {2: "nowhere.bin"}, ["slot 2 (rom), image", "There is no image nowhere.bin"]),
        (SHED, {2: bytes(40_000)}, ["slot 2 (rom), image", "40000 bytes, the part 32768"]),
        (SHED, {2: b""}, ["slot 2 (rom), image", "the image is empty"]),
        (SHED, {1: b"\1", 2: b"\1"}, ["slot 1 (sram), image", "takes no image"]),
        (SHED, {2: b"\1", 9: b"\1"}, ["slot 9, which holds no card"]),
        (
            SHED.replace("0xxx xxxx", "x0xx xxxx"),
            {2: b"\1"},
            [":10: ", "slot 1 (sram) and slot 2 (rom) both answer reads at $8000-$BFFF", "not_select"],
        ),
    ],
)
def test_bad_input_gets_one_clear_message(tmp_path, text, images, words):
    path = tmp_path / "machine.toml"
    path.write_text(text)
    with pytest.raises(SimkitError) as caught:
        Machine.load(path, images=images)
    assert not isinstance(caught.value, SeveralErrors)
    for word in words:
        assert word in str(caught.value)


def test_an_overlap_can_be_watched_instead(tmp_path):
    path = tmp_path / "machine.toml"
    path.write_text(SHED.replace("0xxx xxxx", "x0xx xxxx") + '[backplane]\noverlaps = "run"\n')
    m = Machine.load(path, images={2: image(COUNTER)})
    m.run(finding="contention")
    (finding, *_) = m.findings
    assert finding.cycle == 7  # the first opcode fetch; the vector at $FFFC is the ROM's alone
    assert finding.address == 0x8000


@pytest.mark.parametrize(
    ("field", "near"),
    [
        ('select = "1xxx xxxx xxxx xxxx"\noutput_enable = "R and PHI2"', "RW"),
        ('select = "A15 and BANK_1"', ""),
        ('select = "A15"\nwires = { A3 = "BANK" }', ""),
    ],
)
def test_a_line_that_no_card_drives_is_warned_about(tmp_path, field, near):
    path = tmp_path / "machine.toml"
    path.write_text(SHED.replace('select = "1xxx xxxx xxxx xxxx"', field))
    warning, *more = Machine.load(path, images={2: image("EA")}).warnings
    assert (warning.rule, warning.slot) == ("line-undriven", 2)
    assert [one.rule for one in more] == ["read-strobe-in-write"] * ("output_enable" in field), "R stays high"
    assert "slot 2 (rom): no card drives the line" in warning.message
    assert near in warning.message


def test_an_image_at_the_wrong_end_of_its_part_is_warned_about(tmp_path):
    """An 8 KB image built for $E000 at the bottom of a 32 KB part (common practice; offsets by arithmetic)."""
    path = tmp_path / "machine.toml"
    path.write_text(SHED)
    m = Machine.load(path, images={2: image("EA", reset=0xE000)[-8192:]})
    (warning,) = m.warnings
    assert (warning.rule, warning.slot) == ("image-size", 2)
    for words in ("has 8192 bytes, the part 32768", "($8000 to $9FFF)", "reset vector $E000", "offset $6000"):
        assert words in warning.message
    m.step()
    assert m.cpu.pc == 0xFFFF  # the fill is taken for a vector


def test_a_write_strobe_without_phi2_is_a_finding(tmp_path):
    path = tmp_path / "machine.toml"
    path.write_text(SHED.replace('"0xxx xxxx xxxx xxxx"', '"0xxx xxxx xxxx xxxx"\nwrite_enable = "not RW"'))
    m = Machine.load(path, images={2: image("EA")})
    assert [(f.rule, f.slot) for f in m.findings] == [("strobe-without-phi2", 1)]


PLAY = """
import hashlib
from simkit import Machine
m = Machine.load("demo:marlpit", seed=5)
m.run(seconds=0.7)
m.pads[1].press("start")
m.keys.type("a ")
m.run(frames=20)
m.pads[1].release("start")
m.pads[1].press("right")
m.run(frames=30)
print(m.cycle, hashlib.sha256(m.save_state()).hexdigest(), hashlib.sha256(m.screen.pixels.tobytes()).hexdigest())
"""


def test_the_same_run_gives_the_same_machine_in_another_process_and_hash_seed():
    root = Path(__file__).parents[2]
    outputs = set()
    for hash_seed in ("0", "1", "random"):
        done = subprocess.run(
            [sys.executable, "-c", PLAY], capture_output=True, text=True, cwd=root,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        outputs.add(done.stdout)
    assert len(outputs) == 1


def test_an_address_pin_of_a_rom_can_hang_on_a_line_that_a_card_drives(tmp_path):
    """The latch chooses the half of the part that shows; RESET clears a 74HC273 (common practice for banked ROMs)."""
    path = tmp_path / "machine.toml"
    text = SHED.replace('"0xxx xxxx xxxx xxxx"', '"00xx xxxx xxxx xxxx"')
    text = text.replace('"1xxx xxxx xxxx xxxx"', '"1xxx xxxx xxxx xxxx"\nwires = { A14 = "BANK" }')
    text += '[[card]]\nslot = 3\nkind = "bank-latch"\nselect = "0111 1111 0000 0000"\nlines = { Q0 = "BANK" }\n'
    path.write_text(text + '[card.settings]\npart = "74HC273"\n')
    code = bytes.fromhex("A9 01 8D 00 7F EE EA")  # LDA #1; STA $7F00; then the byte that tells the halves apart
    half = code.ljust(0x3FFA, b"\xea") + b"\x00\x80" * 3
    m = Machine.load(path, images={2: half + half.replace(b"\xee", b"\xdb")})
    assert m.warnings == []
    assert m.peek(0x8005) == 0xEE
    m.run(cycles=7 + 2 + 4)
    assert m.peek(0x8005) == 0xDB
