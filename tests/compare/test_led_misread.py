"""One misread line where the capture alone tells what the CPU read, or wiring hides a line: noise, and nothing else."""

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.capture.captured import Captured
from simkit.compare.guessed import FOUGHT, NOT_TAKEN
from simkit.compare.judged import Verdict, led
from simkit.compare.lines import diagnose
from simkit.compare.told import report
from simkit.records.observed import Observer, observe
from tests.compare.takes import SOUND_SEED, exact, misread

ROM, RESET, COPIED = 0x8000, 0x7FFC, 0x0200
COPY = bytes(
    (0xA2, 0x00, 0xBD, 0x00, 0x81, 0x9D, 0x00, 0x02, 0xE8, 0xD0, 0xF7, 0xA9, 0x01, 0xA2, 0x05, 0x4C, 0x00, 0x02)
)
"""Copies a page to RAM, has A 1 and X 5, and goes there."""
LOADED = bytes((0xA2, 0x03, 0x9A, 0xA2, 0x05))
"""LDX, TXS, LDX: both are known."""


def image(code, *, page=b""):
    """A ROM with code where RESET leads, and a page behind it."""
    found = bytearray(0x8000)
    found[: len(code)], found[0x100 : 0x100 + len(page)] = code, page
    found[RESET : RESET + 2] = ROM.to_bytes(2, "little")
    return {2: bytes(found)}


def beside(images, captured, faults=()):
    return led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images, faults=faults), captured)


def once_in_ram(code):
    """Code that runs once in RAM, and a capture that begins there: no cycle before has shown its bytes."""
    images = image(COPY, page=code)
    whole = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 4600))
    begin = int(np.flatnonzero(whole.address[0] == COPIED)[-1])
    return images, whole[begin : begin + 180]


def row_of(captured, address):
    return int(np.flatnonzero(captured.address[0] == address)[-1])


@pytest.mark.parametrize("line", ["D2", "D4", "D7"])
def test_where_a_branch_went_whose_operand_only_the_capture_has_the_next_cycle_shows(line):
    images, captured = once_in_ram(bytes((0xD0, 0x02, 0x00, 0x00)) * 60)  # BNE, over a BRK
    found = beside(images, misread(captured, row_of(captured, COPIED + 4 * 20 + 1), line))
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).sum() == 0


@pytest.mark.parametrize(("code", "line"), [(0x3A, "D7"), (0xEA, "D6")])  # DEC A as TSX, NOP as TAX
def test_a_register_may_be_another_where_an_opcode_that_only_the_capture_has_was_misread(code, line):
    images, captured = once_in_ram(
        LOADED + bytes((0xEA,)) * 25 + bytes((code,)) + (bytes((0xD6, 0x57)) + bytes((0xEA,)) * 16) * 5
    )
    found = beside(images, misread(captured, row_of(captured, COPIED + 30), line))
    assert found.first is None, found.first


@pytest.mark.parametrize("line", ["D0", "D1", "D3"])
def test_an_opcode_that_only_the_capture_has_may_be_one_of_another_length(line):
    """LDA #$A9 again and again, as on lines that nobody drives; misread it is an instruction of another length."""
    images, captured = once_in_ram(bytes((0xA9,)) * 120)
    found = beside(images, misread(captured, row_of(captured, COPIED + 70), line))
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).sum() == 0


def test_nothing_is_proven_by_a_register_from_before_the_cpu_was_in_step():
    """A store of it and a flag made of it, both misread: the capture alone would come to anything."""
    images = image(bytes((0xA9, 0x10, 0x85, 0x11, 0x29, 0x08, 0xF0, 0xF8)))  # LDA, STA, AND, BEQ back
    whole = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 400))
    captured = whole[np.flatnonzero(whole.address[0] == ROM + 2)[5] :]
    captured = misread(misread(captured, 1, "D7"), 4, "D4")
    found = beside(images, captured)
    assert found.parts[0][0] == 0
    assert found.first is None, found.first


@pytest.mark.parametrize("line", ["D0", "D6"])
def test_what_is_read_twice_is_not_misread_where_the_byte_that_is_written_is(line):
    """INC of a place that nobody has written: the capture alone has its byte, in two cycles; soon a row is misread."""
    images = image(bytes((0xE6, 0x0E, 0xA5, 0x0E, 0x4C, 0x00, 0x80)))  # INC, LDA, and again
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 400))
    first = int(np.flatnonzero(captured.address[0] == 0x0E)[2])
    found = beside(images, misread(misread(captured, first, line), first + 4, "A9"))
    assert found.first is None, found.first
    assert [each.row for each in found.differences] == [first, first + 4]


def test_a_line_that_touches_another_tells_of_both_together():
    """A high level on both that the CPU cannot have put out says that its operand was misread."""
    images, faults = image(bytes((0xE6, 0x0E, 0xA2, 0x33, 0x4C, 0x00, 0x80))), ["A3 shorted to A4"]  # INC in a loop
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=faults), 400))
    operands = np.flatnonzero(captured.address[0] == ROM + 1)[[5, 6, 12]].tolist()
    for row in operands:
        captured = misread(captured, row, "D4")
    found = beside(images, captured, faults)
    assert found.first is None, found.first
    assert [each.row for each in found.differences if each.data == 0x10] == operands
    assert ((found.levels[[row + 1 for row in operands]] & np.uint64(0xFF)) == 0x0E).all()


def test_a_select_beside_an_address_that_was_misread_is_not_wrong_where_the_cpu_stands_still():
    images = image(bytes((0xDB,)))  # STP
    machine = Machine.load("demo:marlpit", seed=5, images=images)
    with Observer(machine) as observer:
        machine.run(cycles=1500)
    seen = observer.observed
    captured = exact(attrs.evolve(seen, levels=np.append(seen.levels, np.repeat(seen.levels[-1:], 1500))))
    for row in range(200, 1400, 90):
        captured = misread(captured, row, "A15")
    found = beside(images, captured)
    assert "1.select" in found.names
    assert found.first is None, found.first


@pytest.mark.parametrize(("line", "later"), [("A2", 0), ("A2", 1), ("D0", 0)])
def test_a_vector_is_that_which_both_of_its_cycles_show(line, later):
    """IRQ's and NMI's are a line apart in each: 1110 and 1010, 1111 and 1011."""
    images = image(bytes((0x00, 0x00)))  # BRK, and there again
    images[2] = images[2][:-2] + ROM.to_bytes(2, "little")
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 200))
    row = int(np.flatnonzero(captured.address[0] == 0xFFFE)[5]) + later
    found = beside(images, misread(captured, row, line))
    assert found.first is None, found.first
    assert int(found.levels[row]) & 0xFFFF == 0xFFFE + later


def test_an_address_made_of_a_misread_byte_proves_nothing_where_it_was_misread_in_the_same_line():
    """RTS: the dummy read at the address that was pulled."""
    routine = bytes((0x20, 0x06, 0x80, 0x4C, 0x00, 0x80, 0x60))  # JSR, JMP back; RTS
    images = image(routine + bytes(range(0x40, 0x80)))
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 400))
    fetch = np.flatnonzero((captured.address[0] == ROM + 6) & captured.gathered(["SYNC"])[0].astype(bool))[5]
    found = beside(images, misread(misread(captured, fetch + 3, "D5"), fetch + 5, "A5"))
    assert found.first is None, found.first


def test_a_return_to_where_nobody_came_from_proves_that_memory_did_not_hold_what_was_pushed():
    """Once, as the CPU never comes back: no misreading changes so many lines and has the CPU go by them."""
    real = Machine.load("demo:keyboard-test", seed=6, faults=["slot 1: write enable never"])
    machine = Machine.load("demo:keyboard-test", seed=SOUND_SEED)
    found = led(machine, exact(observe(real, 2000)))
    assert (found.first.slot, found.first.address & 0xFF00) == (1, 0x0100)
    first, *_ = diagnose(machine, found)
    assert (first.how, first.slot) == (NOT_TAKEN, 1)


@pytest.mark.parametrize(
    ("wiring", "slot"), [("slot 3: selected by 000x xxxx xxxx xxxx", 1), ("slot 3: selected by 1000 xxxx xxxx xxxx", 2)]
)
def test_a_second_card_that_answers_is_told_by_bits_that_are_low_and_where_to_look_for_it(wiring, slot):
    real = Machine.load("demo:keyboard-test", seed=6, faults=[wiring])
    machine = Machine.load("demo:keyboard-test", seed=SOUND_SEED)
    whole = exact(observe(real, 12_000))
    lines = tuple(name for name in whole.names if not name.endswith("select"))  # else these say it
    levels, known = whole.gathered(lines)
    found = led(machine, Captured(lines, levels, known, whole.time, whole.lost))
    faults = diagnose(machine, found)
    assert (faults[0].how, faults[0].slot) == (FOUGHT, slot)
    text = "\n".join(report(machine, found, faults))
    assert "is not alone when it is read" in text
    assert "3.select" in text


def test_two_bytes_that_are_compared_with_one_another_tell_nothing_where_the_same_line_of_both_was_misread():
    code = bytes((0xA9, 0x05, 0x85, 0x10, 0x85, 0x11, 0xA6, 0x11, 0xE4, 0x10, 0xF0, 0xFA))  # LDX, CPX, BEQ back
    images = image(code)
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 400))
    reads = [np.flatnonzero(captured.address[0] == address)[12] for address in (0x11, 0x10)]
    assert 0 < reads[1] - reads[0] < 4
    for row in reads:
        captured = misread(captured, row, "D7")
    found = beside(images, captured)
    assert found.first is None, found.first


@pytest.mark.parametrize("code", [0xC8, 0xA8, 0xEA])  # INX as INY (D5), as TAY (D6), as NOP (D1)
def test_an_opcode_that_was_misread_is_not_taken_for_it_as_the_next_address_that_it_makes_was_misread_too(code):
    """LDA $8100,X; STA $0200; INX; BNE back: without INX the next address is the one before, and so it was misread."""
    images = image(bytes((0xA2, 0x00, 0xBD, 0x00, 0x81, 0x8D, 0x00, 0x02, 0xE8, 0xD0, 0xF7)))
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images), 700))
    row = int(np.flatnonzero(captured.address[0] == ROM + 8)[20])
    read = next(at for at in range(row, row + 16) if captured.address[0][at] >> 8 == 0x81)
    assert captured.address[0][read] & 1
    for bit in range(8):
        if (code ^ 0xE8) >> bit & 1:
            captured = misread(captured, row, f"D{bit}")
    found = beside(images, misread(captured, read, "A0"))
    assert found.first is None, found.first
    assert (found.verdict[20:] == Verdict.UNTOLD).sum() == 0


@pytest.mark.parametrize("line", ["D0", "A9"])
@pytest.mark.parametrize(
    ("fault", "seed"),  # with the others it begins with a NOP of one cycle: SYNC is high twice
    [("D6 exchanged with D7", 5), ("D6 exchanged with D7", 6), ("D0 exchanged with D7", 7), ("D7 inverted", 8)],
)
def test_a_cpu_that_begins_elsewhere_than_at_the_vector_that_is_on_the_lines_is_told(fault, seed, line):
    """Both bytes are as the ROM has them; of the CPU's own lines one is wrong, and it goes by that."""
    whole = exact(observe(Machine.load("demo:marlpit", seed=seed, faults=[fault]), 300))
    row = row_of(whole[:20], 0xFFFD) + 1
    for captured in (whole, misread(whole, row + 2, line)):
        found = led(Machine.load("demo:marlpit", seed=SOUND_SEED), captured)
        first = found.first
        assert first is not None
        assert (first.row, first.address, first.proven) == (row, 0x8000, True)
        assert first.control & 0xFFFF == 0x8000 ^ int(whole.address[0][row])
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, faults=[fault]), misread(whole, row, line))
    assert found.first is None


@pytest.mark.parametrize("high", ["slot 2: pins D0 to D7 reversed", "slot 2: D7 stuck low", "slot 2: pin D0 high"])
def test_a_cpu_that_begins_neither_at_the_vector_on_the_lines_nor_at_the_roms_is_told(high):
    """The ROM gives another vector, and of the addresses a line is high besides from there on."""
    images = {2: bytes(0x7FFC) + bytes((0x00, 0x80, 0x00, 0x80))}
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=[high]), 300))
    start = row_of(captured[:20], 0xFFFD) + 1
    captured.levels[start:] |= np.uint64(1) << np.uint64(captured.names.index("A4"))
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert any(one.proven and start - 2 <= one.row <= start for one in found.disagreements)


@pytest.mark.parametrize("shorted", ["A8 shorted to A9", "A8 shorted to A10"])
def test_a_vector_that_a_rom_does_not_hold_is_told_where_the_cpu_goes_by_it_on_lines_that_touch(shorted):
    """Of ROM bytes that read the same reversed nothing tells but the vector."""
    images = {2: bytes(0x7FFC) + bytes((0x00, 0x80, 0x00, 0x80))}
    faults = [shorted, "slot 2: pins D0 to D7 reversed"]
    captured = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=faults), 300))
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images, faults=[shorted]), captured)
    assert found.first is not None
    assert (found.first.address, found.first.expected, found.first.captured) == (0xFFFD, 0x80, 0x01)
    assert found.first.proven


@pytest.mark.parametrize(("at", "byte"), [(3, 0x22), (5, 0x13), (6, 0x11)])
def test_a_byte_of_a_rom_with_several_lines_wrong_by_which_the_cpu_went_is_no_noise_though_it_comes_once(at, byte):
    """In a capture from the middle: LDY #$44, STY $0210 is done once, with one byte otherwise."""
    loop = bytes((0xE8, 0xD0, 0xFD))  # INX, BNE
    code = loop + bytes((0xA0, 0x44, 0x8C, 0x10, 0x02, 0x98, 0xAA)) + loop + bytes((0x4C, 0x00, 0x80))
    images = image(code)
    faults = [f"slot 2: byte at ${ROM + 1 + at:04X} = ${byte:02X}"]
    whole = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=faults), 6_000))
    row = int(next(row for row in np.flatnonzero(whole.address[0] == ROM + 1 + at) if row > 400))
    found = beside(images, whole[row - 300 : row + 900])
    assert [(one.address, one.captured) for one in found.disagreements] == [(ROM + 1 + at, byte)]


@pytest.mark.parametrize(("wrong", "told"), [((0, 1), 2), ((0,), 0), ((1,), 0)])
def test_a_line_of_a_rom_that_is_wrong_in_the_only_two_cycles_that_read_it_is_told(wrong, told):
    """The CPU is in RAM; of one cycle alone the analyser may have misread the line."""
    nops = bytes((0xEA,)) * 20
    loop = bytes((0x4C, 0x06, 0x02))
    images, captured = once_in_ram(bytes((0xAD, 0x00, 0x90)) + nops + bytes((0xAD, 0x04, 0x90)) + nops + loop)
    rows = [row_of(captured[:70], address) for address in (0x9000, 0x9004)]
    assert (captured.address[0] >= 0x8000).sum() == 3  # one is behind: the loop comes by it again
    captured = captured[: rows[1] + 40]
    for place in wrong:
        captured = misread(captured, rows[place], "D2")
    found = beside(images, captured)
    assert [one.row for one in found.disagreements] == (rows if told else [])


STORES = bytes((0xA2, 0x00, 0xE8, 0x8A, 0x85, 0x20, 0xEA, 0xEA, 0xEA, 0xEA, 0xA5, 0x20, 0x85, 0x30, 0x4C, 0x02, 0x80))
"""LDX #0; then INX, TXA, STA $20, some NOPs, LDA $20, STA $30, again and again."""


def with_bytes_lost(*lost):
    """A capture in which memory keeps other bytes than were written, a few times, far apart; lines of each."""
    machine = Machine.load("demo:marlpit", seed=5, images=image(STORES))
    with Observer(machine) as observer:
        for at, lines in enumerate(lost, 1):
            machine.run_to(1_000 * at)
            while machine.cpu.pc != ROM + 7:
                machine.step()
            machine.poke(0x20, machine.peek(0x20) ^ lines)
        machine.run_to(3_000)
    return exact(observer.observed)


def test_a_memory_that_seldom_holds_what_was_written_is_told_by_several_lines_of_bytes_that_the_cpu_went_by():
    """Each time they are other lines: none is wrong again and again."""
    for lost in ((0x06,), (0x50,)):  # once it may be a write that nobody saw
        assert beside(image(STORES), with_bytes_lost(*lost)).first is None
    found = beside(image(STORES), with_bytes_lost(0x06, 0x50))
    assert [(one.slot, one.address, one.data) for one in found.disagreements] == [(1, 0x20, 0x06), (1, 0x20, 0x50)]


def test_several_lines_of_bytes_that_the_cpu_did_not_go_by_are_noise_though_they_come_twice():
    captured = with_bytes_lost()
    reads = np.flatnonzero((captured.address[0] == 0x20) & (captured.gathered(["RW"])[0] != 0))
    for row, lines in ((reads[20], ("D1", "D2")), (reads[60], ("D4", "D6"))):
        for line in lines:
            captured = misread(captured, row, line)
    assert beside(image(STORES), captured).first is None
