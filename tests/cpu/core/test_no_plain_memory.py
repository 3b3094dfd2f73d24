"""Opcodes and bytes that do not lie in plain memory: where a card is asked for them, and where nobody answers."""

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.records.recorder import Recorder

PARTS = ("6502", "65C02")
START = 0xC000


@pytest.mark.parametrize(("part", "watched"), [("6502", False), ("65C02", True)])
def test_every_opcode_may_be_fetched_from_a_card_that_is_asked(pair, part, watched):
    boards = pair(part, meddlers=(0xC0,), watched=watched).with_program("EA")
    boards.run(20)
    for code in range(256):
        boards.each("pull", "RESET", boards.exact.cpu.cycle + 20, 3)  # out of a halt, and to START again
        boards.each("place", START, bytes([0xA2, code, code, 0x34, 0x02, 0x4C, 0x01, 0xC0]))
        boards.run(15, 14)
    assert boards.exact.cpu.cycle > 256 * 20


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("line", ["INT", "NMI", "SO", "RES"])
def test_a_line_that_a_card_moves_while_an_opcode_is_fetched_from_it_counts_as_ever(pair, part, line):
    # cli, ldx #1 | loop: inx, pha, pla, brk, nop, cli, sei, cli, clv, bvc loop
    boards = pair(part, watched=True, meddlers=(0xC0,)).with_program("58 A201 E8 48 68 00 EA 58 78 58 B8 50F4")
    for accesses in range(1, 30):
        boards.each("meddle", accesses, line, accesses % 3)
        boards.run(90)


@pytest.mark.parametrize("part", PARTS)
def test_a_card_that_fails_while_an_opcode_is_fetched_from_it_leaves_both_engines_alike(pair, part):
    boards = pair(part).with_program("4C007F")  # into the ticker: it gives the lowest byte of the cycle
    for late in (False, True):
        for after in range(0, 60, 7):
            boards.each("start", True)
            boards.each("trip", boards.exact.cpu.cycle + after, ValueError, late)
            boards.run_to(boards.exact.cpu.cycle + 80)
    assert boards.exact.ticker.log


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("wait_states", ["ready", "stretch"])
def test_a_card_may_take_its_time_over_an_opcode(pair, part, wait_states):
    boards = pair(part, watched=True, wait=2, wait_states=wait_states).with_program("4C007F")
    boards.each("pull", "IRQ", 40, 9)
    boards.run(*(35,) * 40)


@pytest.mark.parametrize(("part", "open_bus"), [("6502", "last"), ("65C02", "pull-up"), ("6502", "pull-down")])
@pytest.mark.parametrize("wiring", [(), ("D1 exchanged with D4",), ("D2 late", "D6 inverted"), ("D3 pulled up",)])
def test_where_nobody_answers_the_cpu_takes_what_is_on_the_lines(pair, part, open_bus, wiring):
    # loop: lda $0308, sta $0309, inc $030a, inx, jmp loop; a page for data half of which, and one of which all is a gap
    boards = pair(
        part, watched=True, gaps=("00000011xxxx1xxx", "11000101xxxxxxxx"), open_bus=open_bus, wiring=wiring
    ).with_program("AD0803 8D0903 EE0A03 FE0403 E8 4C00C0")
    boards.run(300, 33)
    boards.each("place", START, "4C01C5")  # and the program goes astray there
    boards.run(900, 33)


@pytest.mark.parametrize("part", PARTS)
def test_a_program_astray_where_nobody_answers_is_no_slower_than_another(pair, part):
    """The core asks nobody: what it is asked for would be counted."""
    boards = pair(part, gaps=("11000101xxxxxxxx",), open_bus="pull-up").with_program("4C00C5")
    accesses = boards.core.bus.accesses
    boards.core.cpu.run(100)
    before = accesses.made
    boards.core.cpu.run(10_000)
    assert accesses.made - before < 40


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("crossed", [{}, {5: {"A0": "A1", "A1": "A0"}}])
def test_stores_into_rom_are_findings_however_many_they_are_and_whoever_counts_them(pair, part, crossed):
    # loop: inc $c0f0, sta $c1f0,x, inx, jmp loop
    boards = pair(part, watched=True, program_in_rom=True, crossed=crossed).with_program("EEF0C0 9DF0C1 E8 4C00C0")
    boards.run(*(1700,) * 8)
    (count,) = boards.exact.findings.counts().values()
    assert count > 1000
    before = boards.core.bus.accesses.made
    boards.run(1700)
    assert boards.core.bus.accesses.made - before < 20
    told = []
    for board in boards.both:  # now somebody wants to hear of each
        board.findings.tell(told.append)
    boards.run(700)
    assert len(told) > 100


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("gap", ["00000011xxxx1xxx", "0000000xxxxxxxx1", "1100000000xxx111", "0000000100xxxxxx"])
def test_a_page_half_of_which_is_memory_is_memory_there(pair, part, gap):
    # loop: lda $0307, sta $0304, inc $0302, jsr $c400, pha, pla, inx, stx $41, jmp loop
    boards = pair(part, watched=True, gaps=(gap,)).with_program("AD0703 8D0403 EE0203 2000C4 48 68 E8 8641 4C00C0")
    before = boards.core.bus.accesses.made
    boards.run(700, 33, 700)
    assert boards.core.bus.accesses.made - before < 100


FAULTS = (
    "slot 2: select is inverted",
    "slot 1: selected by 0xxx xxxx xxxx 1xxx",
    "slot 2: line A15 low",
    "slot 1: line RW inverted",
    "slot 2: card removed",
    "D3 open",
    "D6 exchanged with D7",
    "slot 2: pin D3 open",
)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_machine_gone_wild_does_on_both_engines_the_same_bus_cycles(core, fault):
    recorded = []
    for engine in ("exact", "core"):
        try:
            machine = Machine.load("demo:marlpit", engine=engine, faults=[fault])
        except SimkitError as error:
            raise AssertionError(error.message) from error
        with Recorder(machine) as recorder:
            machine.run_to(7_000)
        recorded.append((recorder.cycles.words.tolist(), machine.save_state()))
    assert recorded[0] == recorded[1]
