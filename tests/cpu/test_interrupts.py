"""When IRQ and NMI are seen: arrival swept over every cycle of several programs, judged from the bus log alone.

The judge below is written from the published rules, knows nothing of the engine, and reads only what a logic analyser
would: address, data, R/W, SYNC of each cycle, and the levels that the test itself put on the lines.

Sources: MOS Technology, MCS6500 Programming Manual, 1976, pp. 124-147; VisualChips wiki, 6502 Interrupt Recognition
Stages and Tolerances and 6502 Timing of Interrupt Handling; CPU interrupts, developers' wiki of the 2A03 family (branch
and CLI/SEI/PLP rules); Rockwell R65C00 data, 1984, item 7 (no vector is taken over on CMOS).
"""

import random

import pytest

BRANCHES = {0x10, 0x30, 0x50, 0x70, 0x90, 0xB0, 0xD0, 0xF0, 0x80}
START = 7  # the reset sequence takes cycles 0 to 6


class Judge:
    """Walks through a bus log and tells where the part would have gone."""

    def __init__(self, part, log, irq_low, nmi_low):
        self.part, self.irq_low, self.nmi_low = part, irq_low, nmi_low
        self.units, unit = [], []
        for cycle in log:
            if cycle.is_fetch and unit:
                self.units.append(unit)
                unit = []
            unit.append(cycle)  # the last unit may be cut short: it is not kept
        self.i = 1
        self.nmi_from = 0  # NMI edges before this cycle are done with
        self.nmis = 0  # vectors of NMI fetched, by a sequence of its own or in the place of another

    def nmi_by(self, cycle):
        """A high-to-low change between two samples, since the last NMI was served."""
        return any(self.nmi_low(c) and not self.nmi_low(c - 1) for c in range(self.nmi_from, cycle + 1))

    def check(self):
        """Compare every unit with what follows it; give how many interrupts were taken."""
        taken = 0
        for unit, after in zip(self.units, self.units[1:], strict=False):
            if unit[0].kind == "reset":
                assert after[0].kind == "instruction"
                continue
            expected = self.sequence(unit) if self.is_sequence(unit) else self.instruction(unit)
            what = f"after {unit[0].address:04X} in cycle {unit[0].cycle} ({len(unit)} cycles)"
            if expected is None:
                assert after[0].kind == "instruction", f"an interrupt {what} was not due"
            else:
                assert after[0].kind == "interrupt", f"an interrupt {what} was due"
                assert self.is_sequence(after)
                taken += 1
                if len(after) >= 7:
                    assert after[5].address == self.vector(after, expected), what
        return taken

    @staticmethod
    def is_sequence(unit):
        return unit[0].kind == "interrupt"

    def vector(self, unit, expected):
        takes_over = self.part == "6502" and self.nmi_by(unit[3].cycle)
        return 0xFFFA if expected == "NMI" or takes_over else 0xFFFE

    def sequence(self, unit):
        assert len(unit) == 7
        assert [c.is_write for c in unit] == [False, False, True, True, True, False, False]
        self.enter(unit)
        return

    def enter(self, unit):
        self.i = 1
        if unit[5].address == 0xFFFA:
            self.nmi_from = unit[6].cycle + 1
            self.nmis += 1

    def instruction(self, unit):
        code, cycles = unit[0].data, [c.cycle for c in unit]
        before = self.i
        if code == 0x00:
            assert unit[4].data & 0x10, "BRK pushes bit 4 set even when NMI takes its vector"
            assert unit[5].address == self.vector(unit, "BRK")
            self.enter(unit)
            return None
        if code == 0x58:
            self.i = 0
        elif code == 0x78:
            self.i = 1
        elif code == 0x28:
            self.i = unit[3].data >> 2 & 1
        elif code == 0x40:
            before = self.i = unit[3].data >> 2 & 1
        if code in BRANCHES and len(unit) == 3:
            polls = cycles[:1]
        elif code in BRANCHES and len(unit) == 4:
            polls = [cycles[0], cycles[2]]
        elif code == 0xCB and self.part == "65C02":
            wakes = [c for c in cycles[2:] if self.irq_low(c) or self.nmi_by(c)]
            early = self.look(cycles[1], before)
            assert early or wakes == cycles[-1:], "WAI ends in the first cycle that samples IRQ low or has an NMI"
            assert not early or len(cycles) == 3
            return early or self.look(cycles[-1], before)
        elif len(unit) == 1:
            polls = []
        else:
            polls = [cycles[-2]]
        return next((found for found in (self.look(c, before) for c in polls) if found), None)

    def look(self, cycle, masked):
        if self.nmi_by(cycle):
            return "NMI"
        return "IRQ" if self.irq_low(cycle) and not masked else None


HANDLERS = {0x0500: "48 A9 01 85 40 68 40", 0x0600: "E6 41 40"}
PROGRAMS = {
    # LDA zp, STA abs,X, INC zp, LDA (zp),Y, ROL abs,X, in a loop; I clear
    "loads and stores": ("58", "A5 10 9D 00 03 E6 11 B1 12 3E 80 03 4C 01 04"),
    # DEX BNE in the page, branches not taken, a branch over the page boundary and back
    "branches": ("58 A2 03 4C F0 04", "CA D0 FD F0 FE 18 90 08 A2 03 B0 FE"),
    # CLI, SEI, PHP, PLP and single instructions between them
    "mask": ("", "58 E8 78 E8 08 58 28 EA 58 78 EA 08 68 29 FB 48 28 EA A9 24 48 28 4C 00 04"),
    # BRK, whose handler is that of IRQ; JSR and RTS; PHA and PLA
    "brk and calls": ("58", "00 EA 20 20 04 48 68 4C 01 04"),
}
CMOS_PROGRAMS = {
    "wait, mask clear": ("58", "CB E8 CB C8 4C 01 04"),
    "wait, mask set": ("78", "CB E8 EA CB C8 4C 01 04"),
    "one-cycle nops and bit branches": ("58", "03 03 EA 0B 0F 10 00 8F 10 02 EA EA 80 F2"),
}


def _board(rig, part, program):
    board = rig(part)
    board.vectors()
    for address, code in HANDLERS.items():
        board.place(address, code)
    setup, loop = program
    board.place(0x0400, setup)
    if "4C F0 04" in setup:
        board.place(0x04F0, loop)  # ends with a branch that crosses into page 5: move the handler's page away
        board.place(0x0505, "90 E9")
        board.vectors(irq=0x0700)
        board.place(0x0700, HANDLERS[0x0500])
    else:
        board.place(0x0400 + len(bytes.fromhex(setup)), loop)
    board.place(0x0420, "C8 60")
    board.memory[0x12:0x14] = b"\xf0\x02"
    board.cpu.y = 0
    return board


def _all_programs(part):
    return PROGRAMS | (CMOS_PROGRAMS if part == "65C02" else {})


CASES = [(part, name) for part in ("6502", "65C02") for name in _all_programs(part)]
LENGTH = 130  # cycles a run lasts
SWEEP = range(START, START + 64)


class Bench:
    """The same program on two boards: one with every cycle logged, one at full speed. Both must end alike."""

    def __init__(self, rig, part, name):
        self.part, self.name = part, name
        program = _all_programs(part)[name]
        self.boards = (_board(rig, part, program).watch(), _board(rig, part, program))
        for board in self.boards:
            board.keep()

    def run(self, pulses):
        """Run with lines pulled low: (name, first cycle, cycles); give the judge of what happened."""
        for board in self.boards:
            board.back()
            for line, cycle, cycles in pulses:
                board.pull(line, cycle, cycles)
            board.cpu.run(LENGTH)
        logged, plain = self.boards
        assert logged.state == plain.state, f"{self.name}: {pulses}"
        assert logged.memory == plain.memory
        low = {
            wire: {c for line, start, cycles in pulses if line == wire for c in range(start, start + cycles)}
            for wire in ("IRQ", "NMI")
        }
        return Judge(self.part, logged.log, low["IRQ"].__contains__, low["NMI"].__contains__)


def _interrupted_at(board, vector):
    """Run into the handler; give the address the interrupt will return to."""
    while board.cpu.pc != vector:
        board.cpu.step()
    sp = board.cpu.sp
    return board.memory[0x100 | sp + 2 & 0xFF] | board.memory[0x100 | sp + 3 & 0xFF] << 8


@pytest.mark.parametrize(("part", "name"), CASES)
def test_irq_arriving_in_any_cycle_is_taken_when_the_part_takes_it(part, name, rig):
    """Rules of recognition; see the module."""
    bench = Bench(rig, part, name)
    taken = 0
    for cycle in SWEEP:
        for cycles in (1, 2, 40):
            taken += bench.run([("IRQ", cycle, cycles)]).check()
    assert taken == 0 if name == "wait, mask set" else taken > len(SWEEP) / 2


@pytest.mark.parametrize(("part", "name"), CASES)
def test_nmi_arriving_in_any_cycle_is_taken_once(part, name, rig):
    """An edge stays latched, one edge is one interrupt. MCS6500 Programming Manual 1976, pp. 142-147."""
    bench = Bench(rig, part, name)
    for cycle in SWEEP:
        for cycles in (1, 30):
            judge = bench.run([("NMI", cycle, cycles)])
            judge.check()
            assert judge.nmis == 1


@pytest.mark.parametrize(("part", "name"), CASES)
def test_irq_and_nmi_close_together_share_or_follow_each_other_as_on_the_part(part, name, rig):
    """VisualChips wiki, timing of interrupt handling: an NMI in the first four cycles takes the vector (NMOS only)."""
    bench = Bench(rig, part, name)
    for cycle in SWEEP[::5]:
        for distance in range(-3, 12):
            pulses = [("IRQ", cycle, 25), ("NMI", max(START, cycle + distance), 3)]
            bench.run(pulses).check()


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_random_pulses_on_both_lines_never_surprise_the_judge(part, rig):
    benches = {name: Bench(rig, part, name) for name in _all_programs(part)}
    for number in range(150):
        chance = random.Random(f"pulses {part} {number}")
        bench = benches[chance.choice(list(benches))]
        pulses, cycle = [], START
        for _ in range(8):
            cycle += chance.randrange(1, 14)
            cycles = chance.randrange(1, 8)
            pulses.append((chance.choice(("IRQ", "NMI")), cycle, cycles))
            cycle += cycles
        bench.run(pulses).check()


def test_nmi_during_brk_takes_its_vector_on_nmos_only(rig):
    """Rockwell R65C00 data 1984, item 7; the pushed P keeps bit 4, so the BRK is lost unless the handler looks."""
    vectors = {"6502": [], "65C02": []}
    for part, found in vectors.items():
        for offset in range(8):
            board = rig(part).watch()
            board.vectors()
            board.place(0x0400, "EA 00 EA EA")
            board.pull("NMI", START + 2 + offset, 2)
            board.cpu.run(30)
            brk = [c for c in board.log if START + 2 <= c.cycle < START + 9]
            assert brk[4].data & 0x30 == 0x30
            found.append(brk[5].address)
    # Swept from the first cycle of BRK on: an edge sampled in its first four takes the vector.
    assert vectors["6502"] == [0xFFFA] * 4 + [0xFFFE] * 4
    assert vectors["65C02"] == [0xFFFE] * 8


@pytest.mark.parametrize(("offset", "interrupted_at"), [(1, 0x0403), (2, 0x0404)])
def test_the_last_cycle_of_lda_zero_page_is_too_late(offset, interrupted_at, rig):
    """CPU interrupts, 2A03 wiki: what stands on the pin at the end of the penultimate cycle counts."""
    board = rig("6502")
    board.vectors()
    board.place(0x0400, "58 A5 10 EA EA EA")  # CLI, LDA $10 in cycles 9 to 11
    board.pull("IRQ", START + 2 + offset)
    assert _interrupted_at(board, 0x0500) == interrupted_at


def test_an_irq_in_the_second_cycle_of_a_taken_branch_waits_for_one_more_instruction(rig):
    """CPU interrupts, 2A03 wiki, branch instructions: no decision in the third cycle when no page is crossed."""
    returns = {}
    for arrival in range(START + 4, START + 11):
        board = rig("6502")
        board.vectors()
        board.place(0x0400, "58 EA 18 90 02 EA EA E8 C8 EA")  # CLI NOP CLC, BCC in cycles 13 to 15, INX, INY
        board.pull("IRQ", arrival)
        returns[arrival] = _interrupted_at(board, 0x0500)
    assert returns == {11: 0x0403, 12: 0x0407, 13: 0x0407, 14: 0x0408, 15: 0x0408, 16: 0x0408, 17: 0x0409}


def test_two_cards_on_irq_keep_it_low_until_the_last_lets_go(rig):
    """Open-drain outputs: the line is low while any output pulls (common practice)."""
    from simkit.contract.lines import Drive, Pin, PinSpec

    board = rig("6502")
    board.vectors()
    board.place(0x0400, "58 EA EA EA EA EA EA EA EA EA EA EA EA")
    board.place(0x0500, "40")
    second = Pin(PinSpec(name="INT", drive=Drive.OPEN_DRAIN), 9)
    board.bus.nets.line("IRQ").join(second)
    second.drive(False, 0)
    board.pull("IRQ", START + 5, 4)  # the first card
    entries = 0
    while board.cpu.cycle < START + 60:
        board.cpu.step()
        entries += board.cpu.pc == 0x0500
    assert entries > 3, "the handler returns and IRQ is still low, long after the first card let go"
    second.drive(None, board.cpu.cycle)
    assert not board.bus.nets.line("IRQ").asserted
    board.cpu.run(board.cpu.cycle + 14)
    assert 0x0400 < board.cpu.pc < 0x0500, "the program goes on"


@pytest.mark.parametrize(("part", "decimal_after"), [("6502", 8), ("65C02", 0)])
@pytest.mark.parametrize("how", ["BRK", "IRQ", "NMI"])
def test_decimal_flag_on_entry_of_a_handler(part, decimal_after, how, rig):
    """W65C02S data sheet, table 7-1: D cleared after P is pushed; NMOS leaves D (Rockwell R65C00 1984, item 5)."""
    board = rig(part)
    board.vectors()
    board.place(0x0400, "F8 58 EA 00" if how == "BRK" else "F8 58 EA EA EA EA EA EA")
    if how != "BRK":
        board.pull(how, START + 4)
    while board.cpu.pc not in (0x0500, 0x0600):
        board.cpu.step()
    assert board.cpu.p & 8 == decimal_after
    pushed = board.memory[0x0100 | board.cpu.sp + 1 & 0xFF]
    assert pushed & 8 == 8
    assert pushed & 0x30 == (0x30 if how == "BRK" else 0x20)
    assert board.cpu.p & 4


def test_a_pulse_that_no_cycle_samples_is_no_nmi_and_a_gap_that_none_samples_no_second_one(rig):
    """6502.org forum, post 68873: NMI must be low at a falling edge of PHI2; shorter pulses are missed."""
    board = rig("6502")
    board.vectors()
    board.place(0x0400, "EA" * 64)
    board.place(0x0600, "E6 41 40")
    board.pull("NMI", START + 4, 0)  # down and up again before the sample
    board.cpu.run(START + 40)
    assert board.memory[0x41] == 0
    board.pull("NMI", START + 44, 4)
    board.pull("NMI", START + 48, 3)  # up and down again before the sample
    board.cpu.run(START + 100)
    assert board.memory[0x41] == 1


def test_an_nmi_edge_survives_a_stall_longer_than_the_line_history(rig):
    """The latch is the CPU's own: twenty later changes of the line during a stall do not lose the first edge."""
    board = rig("6502", pulled=("NMI", "RDY"))
    board.vectors()
    board.place(0x0400, "EA" * 64)
    board.place(0x0600, "E6 41 40")
    board.pull("RDY", START + 3, 100)
    for n in range(25):
        board.pull("NMI", START + 10 + 3 * n, 1)
    board.cpu.run(START + 160)
    assert board.memory[0x41] == 1


def test_wai_wakes_with_i_set_without_taking_the_interrupt(rig):
    """Eyes and Lichty, Programming the 65816, 1986, WAI: with I set execution goes on with the next instruction."""
    board = rig("65C02")
    board.vectors()
    board.place(0x0400, "78 CB E8 E8 4C 04 04")
    board.pull("IRQ", START + 1000)
    board.cpu.x = 0
    board.cpu.run(START + 900)
    assert board.cpu.waiting
    assert board.cpu.halted is None
    x = board.cpu.x
    board.cpu.run(START + 1005)
    assert not board.cpu.waiting
    assert (board.cpu.pc, board.cpu.x) == (0x0404, x + 2 & 0xFF)
