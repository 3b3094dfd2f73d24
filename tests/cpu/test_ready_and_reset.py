"""RDY, wait states, stretching of PHI2, RESET, and the ways a CPU stands still.

Sources: MOS Technology, MCS6500 Hardware Manual, 1976, 1.4 and appendix A (RDY stops read cycles only); Western Design
Center, W65C02S data sheet, section 3 (RDY stops any cycle; RESB) and 3.10.
"""

from typing import ClassVar

import attrs
import pytest

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import Register

START = 7


@attrs.frozen
class _Nothing:
    pass


class Port(Card):
    """Two registers: offset 0 remembers every access; a write to offset 1 pulls the card's pins."""

    kind: ClassVar[str] = "test-port"
    Settings: ClassVar[type] = _Nothing
    waits = 0

    @classmethod
    def registers(cls, settings):
        return (Register(0, "data", "rw"), Register(1, "pull", "w"))

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="RES", drive=Drive.OPEN_DRAIN),)

    def __init__(self, slot):
        super().__init__(_Nothing(), slot)
        self.seen = []

    def read(self, offset, cycle):
        self.seen.append(("read", cycle))
        return 0x5A

    def write(self, offset, value, cycle):
        self.seen.append((value, cycle))
        if offset == 1:
            self.slot.pin("RES").drive(False, cycle)
            self.slot.at(cycle + 5, "release")

    def event(self, name, cycle):
        self.slot.pin("RES").drive(None, cycle)


class SlowPort(Port):
    """The same with two wait cycles."""

    def wait_cycles(self, offset, is_write):
        return 2


@pytest.mark.parametrize("part", ["6502", "65C02"])
@pytest.mark.parametrize(("gated", "reads"), [(False, [10, 11, 12]), (True, [12])])
def test_a_read_with_wait_states_repeats_and_a_strobe_gated_with_ready_hides_the_repeats(part, gated, reads, rig):
    """Hardware Manual 1976, 1.4: while RDY is low the read goes on; each period has its own PHI2."""
    board = rig(part, {0x7F: SlowPort}, ready_gated=gated)
    board.place(0x0400, "AD 00 7F")
    board.vectors()
    board.cpu.step()
    board.cpu.step()
    assert board.cpu.cycle == START + 4 + 2
    assert board.cards[0].seen == [("read", cycle) for cycle in reads]
    assert board.cpu.a == 0x5A


@pytest.mark.parametrize(
    ("part", "gated", "writes"), [("6502", False, [10]), ("65C02", False, [10, 11, 12]), ("65C02", True, [12])]
)
def test_rdy_does_not_stop_a_write_of_the_nmos_part(part, gated, writes, rig):
    """Hardware Manual 1976, appendix A: RDY in a write cycle is ignored; W65C02S data sheet 3.10: it is not."""
    board = rig(part, {0x7F: SlowPort}, ready_gated=gated)
    board.place(0x0400, "8D 00 7F")
    board.vectors()
    board.cpu.step()
    board.cpu.a = 3
    board.cpu.step()
    assert board.cards[0].seen == [(3, cycle) for cycle in writes]
    assert board.cpu.cycle == writes[-1] + 1


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_stretching_passes_periods_with_one_access_at_their_end(part, rig):
    """PHI2 held high: one access, data taken when it falls (common practice)."""
    board = rig(part, {0x7F: SlowPort}, wait_states="stretch")
    board.place(0x0400, "AD 00 7F 8D 00 7F")
    board.vectors()
    for _ in range(3):
        board.cpu.step()
    assert board.cards[0].seen == [("read", 12), (0x5A, 18)]
    assert board.cpu.cycle == START + 2 * (4 + 2)


PROGRAM = "A5 10 9D 00 03 E6 11 B1 12 3E 80 03 20 20 04 00 EA 4C 00 04"


def _program(rig, part, **kwargs):
    board = rig(part, **kwargs)
    board.vectors()
    board.place(0x0400, PROGRAM)
    board.place(0x0420, "C8 60")
    board.place(0x0500, "E8 40")
    board.memory[0x12:0x14] = b"\xf0\x02"
    return board


@pytest.mark.parametrize("part", ["6502", "65C02"])
@pytest.mark.parametrize("cycles", [1, 3])
def test_rdy_low_in_any_cycle_delays_exactly_the_cycles_it_can(part, cycles, rig):
    """The accesses of a run without RDY, each repeated while RDY is low, if a read or on the W65C02S."""
    length = 70
    free = _program(rig, part, pulled=("RDY",)).watch()
    free.cpu.run(length + 10)
    plain = free.accesses()
    board = _program(rig, part, pulled=("RDY",)).watch()
    board.keep()
    for begin in range(START, length - 10):
        board.back()
        board.pull("RDY", begin, cycles)
        board.cpu.run(length)
        expected, time = [], 0
        for address, is_write in plain:
            while begin <= time < begin + cycles and not (is_write and part == "6502"):
                expected.append((address, is_write))
                time += 1
            expected.append((address, is_write))
            time += 1
        assert board.accesses() == expected[: len(board.log)], begin
        assert len(board.log) == board.cpu.cycle
        assert [c.cycle for c in board.log] == list(range(board.cpu.cycle))


@pytest.mark.parametrize(("part", "held_at", "writes_before"), [("6502", 0xFFFE, 3), ("65C02", 0x01FB, 1)])
def test_rdy_low_during_the_pushes_of_brk(part, held_at, writes_before, rig):
    """Hardware Manual 1976, appendix A: pushes run on, it stops at the vector; W65C02S 3.10: it stops in the push."""
    board = rig(part, pulled=("RDY",)).watch()
    board.vectors()
    board.place(0x0400, "00")
    board.pull("RDY", START + 3, 20)
    board.cpu.step()
    board.cpu.sp = 0xFC
    board.log.clear()
    board.cpu.step()
    stopped = [c for c in board.log if c.cycle == START + 15]
    assert [c.address for c in stopped] == [held_at]
    assert sum(c.is_write for c in board.log if c.cycle < START + 3 + (3 if part == "6502" else 0)) == writes_before


@pytest.mark.parametrize("stalled", [False, True])
def test_shx_loses_its_and_when_rdy_stalls_the_cycle_before_the_write(stalled, rig):
    """groepaz, NMOS 6510 Unintended Opcodes, 2017, SHX: without a stall the byte is X AND (high byte + 1)."""
    board = rig("6502", pulled=("RDY",))
    board.vectors()
    board.place(0x0400, "9E 00 20")
    if stalled:
        board.pull("RDY", START + 3, 2)
    board.cpu.step()
    board.cpu.x, board.cpu.y = 0xF7, 0x10
    board.cpu.step()
    assert board.memory[0x2010] == (0xF7 if stalled else 0xF7 & 0x21)


# RESET ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_the_reset_sequence_reads_three_times_from_the_stack_and_then_its_vector(part, rig):
    """W65C02S data sheet, section 3 (RESB): seven cycles; R/W stays high in the three pushes (Hardware Manual 1.4)."""
    board = rig(part).watch()
    board.vectors()
    pc, sp, decimal = board.cpu.pc, board.cpu.sp, board.cpu.p & 8
    board.cpu.step()
    stack = [0x100 | sp - n & 0xFF for n in range(3)]
    assert board.accesses() == [(a, False) for a in (pc, pc, *stack, 0xFFFC, 0xFFFD)]
    assert {c.kind for c in board.log} == {"reset"}
    assert (board.cpu.pc, board.cpu.sp, board.cpu.cycle) == (0x0400, sp - 3 & 0xFF, 7)
    assert board.cpu.p & 4
    assert board.cpu.p & 8 == (decimal if part == "6502" else 0)


@pytest.mark.parametrize("part", ["6502", "65C02"])
@pytest.mark.parametrize("cycles", [1, 2, 9])
def test_reset_in_any_cycle_stops_the_instruction_before_its_next_access_and_writes_no_more(part, cycles, rig):
    """RESET low: no write from its first sampled cycle on; released: the seven cycles begin in the next."""
    free = _program(rig, part).watch()
    free.cpu.run(90)
    board, quick = _program(rig, part).watch(), _program(rig, part)
    board.keep()
    quick.keep()
    for begin in range(1, 70):
        for each in (board, quick):
            each.back()
            each.pull("RESET", begin, cycles)
            each.cpu.run(begin + cycles + 30)
        assert board.state == quick.state
        assert board.memory == quick.memory
        log = board.log
        assert board.accesses()[:begin] == free.accesses()[:begin]
        after = begin + cycles
        assert not any(c.is_write for c in log[begin : after + 7])
        assert {c.kind for c in log[begin : after + 7]} == {"reset"}
        assert [c.address for c in log[after + 5 : after + 7]] == [0xFFFC, 0xFFFD]
        assert log[after + 7].is_fetch
        assert log[after + 7].address == 0x0400


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_a_card_that_pulls_reset_in_a_write_stops_the_cpu_from_the_next_cycle_on(part, rig):
    """What an access changes counts from the cycle after it; INC writes twice on NMOS, and its second write is lost."""
    board = rig(part, {0x7F: Port}).watch()
    board.vectors()
    board.place(0x0400, "EE 01 7F")
    board.cpu.run(START + 6)
    writes = [c for c in board.log if c.is_write]
    assert len(writes) == 1
    pulled = writes[0].cycle
    board.cpu.run(pulled + 5 + 7)
    assert [c.kind for c in board.log[pulled + 1 :]] == ["reset"] * 11
    assert (board.cpu.cycle, board.cpu.pc) == (pulled + 12, 0x0400)


# standing still -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["02", "12", "22", "32", "42", "52", "62", "72", "92", "B2", "D2", "F2"])
def test_a_jam_opcode_stops_the_nmos_part_until_reset_and_reports_it(code, rig):
    """groepaz 2017: 12 opcodes lock up; no interrupt is accepted, only RESET helps."""
    board = rig("6502")
    board.vectors()
    board.place(0x0400, code)
    board.pull("NMI", 50, 5)
    board.pull("IRQ", 50, 500)
    board.cpu.run(100)
    assert board.cpu.halted == f"jammed by opcode ${code} at $0400"
    assert [f.rule for f in board.findings] == ["cpu-jammed"]
    assert board.findings[0].message == (
        f"The CPU is jammed by opcode ${code} at $0400: it accepts no interrupt and waits for RESET."
    )
    halted_in = board.cpu.cycle
    assert halted_in == START + 3, "the run ends when the CPU halts"
    board.cpu.run(200)
    assert board.cpu.cycle == 200, "going on lets time pass"
    board.place(0x0400, "EA EA EA")
    board.pull("RESET", 210, 3)
    board.cpu.run(220)
    assert (board.cpu.halted, board.cpu.pc) == (None, 0x0400)


def test_stp_stops_the_cmos_part_until_reset(rig):
    """Eyes and Lichty 1986, STP: three cycles, then only RESET restarts; on purpose, so no finding."""
    board = rig("65C02")
    board.vectors()
    board.place(0x0400, "DB")
    board.pull("NMI", 50, 5)
    board.cpu.run(100)
    assert board.cpu.halted == "stopped by STP at $0400"
    assert len(board.findings) == 0
    board.cpu.run(150)
    board.pull("RESET", 160, 2)
    board.place(0x0400, "EA EA")
    board.cpu.run(172)
    assert board.cpu.halted is None


@pytest.mark.parametrize("code", ["CB", "DB", "02"])
def test_skipping_ahead_while_held_is_the_same_as_cycle_by_cycle(code, rig):
    part = "6502" if code == "02" else "65C02"
    boards = [rig(part), rig(part).watch()]
    for board in boards:
        board.vectors()
        board.place(0x0400, code + "E8 E8 E8 E8 E8 E8 E8 E8")
        board.pull("IRQ", 300, 2)
        board.pull("RESET", 400, 50)
        for until in (50, 299, 301, 340, 430, 470):
            board.cpu.run(until)
    assert boards[0].state == boards[1].state


# loop at $0400: clv, nop, lda $10, inc $30, bvc +2, inc $40, clv, nop, nop, bvc +2, inc $41, jmp loop
SENSES_V = "B8 EA A510 E630 5002 E640 B8 EA EA 5002 E641 4C0004"


@pytest.mark.parametrize("part", ["6502", "65C02"])
@pytest.mark.parametrize("cycles", [1, 150])
def test_an_so_edge_in_any_cycle_sets_v_with_the_instruction_that_sampled_it_in_time(part, cycles, rig):
    """W65C02S data sheet, section 3 (SOB): a falling edge sets V. Sampled by the last cycle but one: from memory.

    The second board has nothing to watch and runs quick functions: it must not come out different.
    """
    boards = board, quick = rig(part).watch(), rig(part)
    for each in boards:
        each.vectors()
        each.place(0x0400, SENSES_V)
        each.cpu.run(START)
        each.keep()
    for edge in range(40, 80):
        for each in boards:
            each.back()
            each.pull("SO", edge, cycles)
        overflow = counted = False
        while board.cpu.cycle < 250:
            began, at = board.cpu.cycle, board.cpu.pc
            board.cpu.step()
            if board.memory[at] == 0xB8:
                overflow = False
            if not counted and edge <= board.cpu.cycle - 2:
                overflow = counted = True
            assert bool(board.cpu.p & 0x40) == overflow, f"edge in {edge}, instruction from {began}"
        assert counted
        quick.cpu.run(250)
        assert quick.state == board.state
        assert quick.memory == board.memory


def test_unknown_part_and_options_are_refused_with_the_known_ones(rig):
    from simkit.contract.errors import SimkitError

    with pytest.raises(SimkitError, match="CPU '6510' is not known"):
        rig("6510")
    with pytest.raises(SimkitError, match="wait_states 'slow' is not known"):
        rig("6502", wait_states="slow")
