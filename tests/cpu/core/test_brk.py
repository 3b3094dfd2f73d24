"""BRK in the core: its vector, its records, and what a card does to it in one of its cycles."""

from collections import Counter

import pytest
from boards import HANDLER

from simkit.contract.errors import CardError
from simkit.cpu.core.engine import CoreCpu

PARTS = ("6502", "65C02")
NMI_HANDLER = HANDLER + 0x20
SEQUENCE = 7
"""Cycles of BRK."""


@pytest.fixture
def steps(monkeypatch):
    """How often the reference made the instruction of each opcode beside the core."""
    made = Counter()
    step = CoreCpu._step_instruction

    def counted(cpu, *code):
        if not code and cpu.engine != "exact":
            made[cpu.rd[cpu.pc >> 8][cpu.pc & 0xFF] if cpu.rd[cpu.pc >> 8] is not None else None] += 1
        step(cpu, *code)

    monkeypatch.setattr(CoreCpu, "_step_instruction", counted)
    return made


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("watched", [False, True])
def test_a_program_lost_in_zero_bytes_is_the_cores(pair, steps, part, watched):
    boards = pair(part, watched=watched).with_program("00")
    boards.each("vectors", NMI_HANDLER, 0xC000, 0xC000)
    boards.run(5000, 1, 333, 5000)
    assert steps[0] < 20


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
def test_a_handler_of_brk_begins_and_returns_in_the_core(pair, steps, part):
    # loop: sed, brk (and its signature), php, pla, ora $40, sta $40, jmp loop; handler: php, pla, ora $41, sta $41, rti
    handler = "08 68 0541 8541 40"
    boards = pair(part, watched=True).with_program("F8 00 EA 08 68 0540 8540 4C00C0", {HANDLER: handler, 0x40: "0000"})
    boards.run(5000, 5000)
    assert steps[0x00] + steps[0x40] < 20
    # Western Design Center, W65C02S data sheet, table 7-1: D is cleared after P is pushed; the NMOS part leaves it
    # (Rockwell, R65C00 data 29651N52, 1984, item 5)
    assert bool(boards.core.rams[0]._memory[0x41] & 0x08) is (part == "6502")
    assert boards.core.rams[0]._memory[0x40] & 0x08


@pytest.mark.parametrize("part", PARTS)
def test_the_stack_wraps_below_the_pushes_of_brk(pair, part):
    # loop: ldx $42, txs, brk (and its signature), inc $42, jmp loop
    boards = pair(part, watched=True).with_program("A642 9A 00 EA E642 4C00C0")
    boards.run(7000)


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("line", ["IRQ", "NMI", "SO", "RESET"])
def test_lines_pulled_in_every_cycle_of_brk_and_rti_come_alike(pair, part, line):
    # cli | loop: brk (and its signature), inx, jmp loop
    boards = pair(part, watched=True).with_program("58 00 EA E8 4C01C0")
    for number in range(60):
        boards.each("pull", line, 1000 + 151 * number, 1 + number % 9)
    boards.run(5000, 5500)


@pytest.mark.parametrize("registers", ["handlers", "instructions"])
@pytest.mark.parametrize("part", PARTS)
def test_registers_of_brk_and_rti_are_recorded_alike(pair, part, registers):
    boards = pair(part).with_program("E8 C8 00 EA 69 03 4C00C0")
    for number in range(40):
        boards.each("pull", "IRQ", 1000 + 151 * number, 9)
    chunks = ([], [])
    for board, into in zip(boards.both, chunks, strict=True):
        board.bus.record(lambda records, into=into: into.append(bytes(records)), registers=registers)
    boards.run(9000, 1, 3000)
    for board in boards.both:
        board.bus.recording.ring.empty()
    exact, core = (b"".join(into) for into in chunks)
    assert exact == core
    assert len(exact) > 8 * 12_000


MEDDLED = [(0x01,), (0xC3,), (0xFF,), (0x01, 0xFF)]
"""Pages of the stack, of the spare cycle of BRK, and of the vectors."""


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(
    ("pages", "holds"),
    [(pages, holds) for pages in MEDDLED for holds in (False, True) if not holds or len(pages) == 1],
)
def test_a_line_that_a_card_moves_inside_brk_counts_as_on_the_part(pair, part, pages, holds):
    """Each access of BRK and RTI, each line; an NMI seen in its first four cycles takes the vector, on the NMOS part.

    Rockwell, R65C00 data 29651N52, 1984, item 7.
    """
    # cli | inx, jmp $c2fe; $c2fe: nop, brk at the end of the page; $c301: jmp $c001; the handlers keep bit 4 as pushed,
    # that of IRQ in $42, that of NMI in $43
    handlers = {HANDLER: "AD017F 68 48 2910 0542 8542 40", NMI_HANDLER: "68 48 2910 0543 8543 40"}
    pieces = {0xC2FE: "EA 00 EA 4C01C0", 0x42: "0000", **handlers}
    boards = pair(part, watched=True, meddlers=pages, holds=holds).with_program("58 E8 4CFEC2", pieces)
    for line in ("NMI", "INT", "SO", "RES"):
        for access in range(1, 2 * SEQUENCE):
            for cycles in (0, 4):
                boards.each("meddle", access, line, cycles)
                boards.run(70)
    hijacked = part == "6502" and pages != (0xFF,)
    assert boards.core.rams[0]._memory[0x42:0x44].tolist() == [0x10, 0x10 * hijacked]


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("late", [False, True])
def test_a_card_that_fails_inside_brk_leaves_both_engines_alike(pair, part, late):
    # brk at $7eff: its spare cycle reads the ticker; the handler drops what was pushed and goes back there
    boards = pair(part, watched=True).with_program("4CFF7E", {0x7EFF: "00", HANDLER: "A2FF 9A 4CFF7E"})
    raised = []
    for number in range(14):
        boards.each("trip", 1000 + 201 * number, ValueError, late)
        raised.append(boards.run_to(1000 + 201 * number + 100))
    assert all(CardError.__name__ in each for each in raised)
