"""Check values of the 6522's timers; each test names its source."""

import itertools
import random

import pytest
from simkit_cards.ports_6522.card import Ports6522
from simkit_cards.ports_6522.timers import Timer1, Timer2

from simkit.contract import to_data
from simkit.testing.bench import Bench
from tests.cards.ports_6522.registers import (
    ACR,
    DDRA,
    DDRB,
    IER,
    IFR,
    ORA,
    ORB,
    T1CH,
    T1CL,
    T1LH,
    T1LL,
    T2CH,
    T2CL,
    start_t1,
)


@pytest.mark.parametrize("count", [0, 1, 5, 255, 256, 9998, 65535])
def test_timer_1_reads_and_flags_in_the_cycles_of_the_figure(via, count):
    """WDC W65C22S data sheet, Figure 2-3; R6522 data sheet, timer 1 figure: N in cycle 1, 0 in N + 1, flag in N + 2."""
    via.write(IER, 0xC0)
    zero = start_t1(via, count)
    assert via.peek(T1CL) | via.peek(T1CH) << 8 == count
    via.run_to(zero + count + 1)
    assert via.peek(T1CL) | via.peek(T1CH) << 8 == 0
    assert via.peek(IFR) == 0
    assert via.level("INT")
    via.run_to(zero + count + 2)
    assert not via.level("INT")
    assert via.peek(T1CL) | via.peek(T1CH) << 8 == 0xFFFF
    assert via.read(IFR) == 0xC0


def test_first_cycle_in_which_a_read_sees_the_flag_is_7_for_a_count_of_5(via):
    """WDC W65C22S data sheet, Figure 2-3: flag at PHI2 high of cycle N + 2."""
    zero = start_t1(via, 5)
    via.run_to(zero + 6)
    assert via.read(IFR) == 0
    assert via.cycle == zero + 7
    assert via.read(IFR) == 0x40


def test_free_running_timer_1_repeats_every_latch_and_two_cycles(via):
    """WDC W65C22S data sheet, section 1.7 and Figure 2-4; 9998 at 1 MHz is 100 Hz (arithmetic)."""
    via.write(ACR, 0x40)
    via.write(IER, 0xC0)
    zero = start_t1(via, 9998)
    falls = []
    for n in range(4):
        via.run_to(zero + 10_000 * (n + 1) - 1)
        assert via.level("INT")
        via.run_to(zero + 10_000 * (n + 1))
        assert not via.level("INT")
        falls.append(via.cycle)
        via.run(1)
        assert via.peek(T1CL) | via.peek(T1CH) << 8 == 9998, "reloaded in cycle N + 3"
        via.read(T1CL)
    assert [b - a for a, b in itertools.pairwise(falls)] == [10_000] * 3


def test_a_new_latch_counts_from_the_next_reload(via):
    """WDC W65C22S data sheet, section 1.7: the period under way is unchanged."""
    via.write(ACR, 0x40)
    zero = start_t1(via, 100)
    via.write(T1LL, 50)
    via.run_to(zero + 102)
    assert via.read(IFR) == 0x40
    via.write(IFR, 0x40)
    via.run_to(zero + 102 + 51)
    assert via.peek(IFR) == 0
    via.run_to(zero + 102 + 52)
    assert via.peek(IFR) == 0x40


def test_a_write_of_the_high_latch_clears_the_flag_and_leaves_the_count(via):
    """WDC W65C22S data sheet, section 1.7."""
    zero = start_t1(via, 20)
    via.run_to(zero + 22)
    assert via.read(IFR) == 0x40
    via.write(T1LH, 3)
    assert via.peek(IFR) == 0


@pytest.mark.parametrize(("one_shot", "count"), [("reload", 7), ("run-on", 0xFFFE)])
def test_one_shot_flags_once_and_goes_on_as_the_setting_says(one_shot, count):
    """Sheets disagree: the R6522 text lets the counter run on, a public note has it reload; the setting chooses."""
    via = Bench(Ports6522, {"one_shot": one_shot})
    zero = start_t1(via, 7)
    via.run_to(zero + 9)
    assert via.read(T1CL) == 0xFF
    assert via.peek(T1CL) | via.peek(T1CH) << 8 == count
    via.run_to(zero + 200_000)
    assert via.peek(IFR) == 0, "the flag comes once a T1C-H write"


def test_pb7_square_wave_toggles_every_6_cycles_for_a_latch_of_4(via):
    """WDC W65C22S data sheet, section 1.7: half period N + 2; 83.33 kHz at 1 MHz (arithmetic)."""
    via.write(DDRB, 0x80)
    via.write(ACR, 0xC0)
    zero = start_t1(via, 4)
    levels = []
    for cycle in range(zero + 1, zero + 25):
        via.run_to(cycle)
        levels.append(via.level("PB7"))
    assert levels[:17] == [False] * 5 + [True] * 6 + [False] * 6
    changes = [n for n in range(1, 24) if levels[n] is not levels[n - 1]]
    assert [b - a for a, b in itertools.pairwise(changes)] == [6] * (len(changes) - 1)
    assert changes[0] == 5, "first change in cycle N + 2"


def test_pb7_one_shot_is_low_from_the_write_to_the_time_out(via):
    """R6522 data sheet, timer 1 one-shot with PB7: low for N + 1.5 cycles."""
    via.write(ACR, 0x80)
    assert via.level("PB7")
    zero = start_t1(via, 10)
    assert not via.level("PB7")
    via.run_to(zero + 11)
    assert not via.level("PB7")
    via.run_to(zero + 12)
    assert via.level("PB7")


@pytest.mark.parametrize(("needs", "driven"), [(False, True), (True, False)])
def test_whether_pb7_needs_its_direction_bit_is_a_setting(needs, driven):
    """Sheets and reports differ (from memory)."""
    via = Bench(Ports6522, {"pb7_needs_ddr": needs})
    via.write(ACR, 0x80)
    start_t1(via, 1000)
    assert via.level("PB7") is not driven


def test_an_unwatched_pb7_is_computed_when_asked():
    """The same square wave with nobody following the line: no event is armed for it."""
    via = Bench(Ports6522, watched=False)
    via.write(ACR, 0xC0)
    zero = start_t1(via, 4)
    assert via.card.slot.armed("move") is None
    via.run_to(zero + 6 + 6 * 1001)
    assert via.level("PB7") is (1001 % 2 == 0)
    via.run(6)
    assert via.level("PB7") is (1002 % 2 == 0)


def test_reads_of_port_a_that_are_promised_to_do_nothing_leave_an_unwatched_pb7_alone():
    """How often a waiting loop polls must not show in the machine's state, PB7's line included."""
    polled, alone = (Bench(Ports6522, watched=False) for _ in range(2))
    for via in (polled, alone):
        via.write(DDRA, 0xFF)
        via.write(ACR, 0xC0)
        start_t1(via, 4)
    assert polled.card.steady_until(ORA, polled.cycle) > polled.cycle + 1_000
    for _ in range(40):
        polled.read(ORA)
        polled.run(6)
    alone.run_to(polled.cycle - 7)
    alone.read(ORA)
    alone.run_to(polled.cycle)
    assert polled.save() == alone.save()


@pytest.mark.parametrize("later", [0, 5, 6, 1_000])
def test_pb7_moves_edge_by_edge_from_the_cycle_in_which_somebody_begins_to_follow_it(later):
    """A trace begun in mid-run, long after the program last touched the card, sees what one from the start sees."""
    seen = []
    for follow_at in (0, later):
        via = Bench(Ports6522, watched=False)
        via.write(ACR, 0xC0)
        start_t1(via, 4)
        begin = via.cycle
        edges = []
        nets = via._bus.nets
        via.run(follow_at)
        nets.observe("P_PB7", lambda line, cycle, edges=edges: edges.append((cycle, line.level)), via.cycle)
        assert nets.line("P_PB7").level is via.level("PB7")
        via.run_to(begin + 2_000)
        seen.append([edge for edge in edges if edge[0] > begin + later])
    assert seen[0] == seen[1]
    assert len(seen[1]) > 150


@pytest.mark.parametrize(("kept", "flags"), [("flag-cleared", 0x00), ("flag-kept", 0x40)])
def test_a_read_in_the_very_cycle_of_the_time_out_is_a_setting(kept, flags):
    """Public notes report both outcomes; neither is verified."""
    via = Bench(Ports6522, {"timeout_during_read": kept})
    zero = start_t1(via, 5)
    via.run_to(zero + 7)
    via.read(T1CL)
    assert via.peek(IFR) == flags


def test_timer_2_flags_once_and_counts_on(via):
    """R6522 data sheet, timer 2 one-shot: N + 1.5 cycles, no reload."""
    via.write(T2CL, 100)
    zero = via.cycle
    via.write(T2CH, 0)
    via.run_to(zero + 101)
    assert via.read(IFR) == 0
    assert via.read(IFR) == 0x20
    via.read(T2CL)
    via.run_to(zero + 102 + 65_536)
    assert via.peek(IFR) == 0
    assert via.peek(T2CL) | via.peek(T2CH) << 8 == 0xFFFF


@pytest.mark.parametrize(("pulse_flag", "more"), [("at-zero", 0), ("past-zero", 1)])
@pytest.mark.parametrize("count", [1, 3, 300])
def test_timer_2_counts_falls_of_pb6(pulse_flag, more, count):
    """WDC W65C22 data sheet, section 2.10 and Figure 2-5: the flag comes after N pulses, with the fall of the last.

    That it comes as the count passes 0, one pulse later, is the older reading, from memory: the setting has it too.
    """
    via = Bench(Ports6522, {"pulse_flag": pulse_flag})
    via.write(ACR, 0x20)
    via.write(T2CL, count & 0xFF)
    via.write(T2CH, count >> 8)
    for n in range(count + more):
        assert via.peek(IFR) == 0, n
        via.pull("PB6", False)
        via.run(2)
        assert via.peek(T2CL) == (count - n - 1) & 0xFF
        assert bool(via.peek(IFR)) is (n == count + more - 1)
        via.pull("PB6", True)
        via.run(2)
    assert via.peek(IFR) == 0x20
    assert not list(via.findings)


@pytest.mark.parametrize("watched", [True, False])
def test_reset_takes_pb7_from_timer_1(watched):
    """R6522 data sheet, RESET: all registers to 0, so that PB7 is an input again, here pulled high."""
    via = Bench(Ports6522, watched=watched)
    via.write(ACR, 0xC0)
    via.write(DDRB, 0x80)
    start_t1(via, 20)
    assert {via.level("PB7") for _ in range(60) if via.run(1) is None} == {True, False}
    via.reset()
    assert {via.level("PB7") for _ in range(60) if via.run(1) is None} == {True}
    assert via.read(ORB) == 0xFF
    via.write(DDRB, 0x80)  # an output of the port's own, low
    assert not via.level("PB7")


class Timers:
    """Both timers, advanced as the card does it, and how often each has set its flag."""

    def __init__(self, *, reloads):
        self.t1, self.t2 = Timer1(reloads), Timer2(False)
        self.t1.power_on(0, 0x1234, 0x0042)
        self.t2.power_on(0, 0x34, 0x0042)
        self.mode = False, False
        self.flags = [0, 0]

    def advance(self, cycle):
        self.flags[0] += self.t1.advance(cycle, *self.mode)
        self.flags[1] += self.t2.advance(cycle)

    def told(self, cycle):
        values = self.t1.value(cycle), self.t2.value(cycle), self.t1.next_flag(self.mode[0]), self.t2.next_flag()
        return to_data(self.t1), to_data(self.t2), values


@pytest.mark.parametrize("reloads", [True, False])
@pytest.mark.parametrize("free_run", [True, False])
def test_timers_are_the_same_asked_once_in_a_long_time_or_in_every_cycle_in_which_something_happens(reloads, free_run):
    rng = random.Random(reloads * 2 + free_run)
    lazy, eager = Timers(reloads=reloads), Timers(reloads=reloads)
    now = 0
    for _ in range(60):
        starts, pulses, level, high = rng.random() < 0.5, rng.random() < 0.2, rng.random() < 0.5, rng.randrange(3)
        for timers in (lazy, eager):
            timers.mode = free_run, level
            timers.t2.select(pulses, now)
            if starts:
                timers.t1.start(high, now, level)
                timers.t2.start(high, now)
        end = now + rng.choice((1, 7, 300, 66_000, 70_000, 200_000))
        while now < end:
            now = min(end, max(now + 1, min(eager.t1.quiet_until, eager.t2.quiet_until)))
            eager.advance(now)
        lazy.advance(now)
        assert lazy.told(now) == eager.told(now)
        assert [bool(count) for count in lazy.flags] == [bool(count) for count in eager.flags]
        lazy.flags, eager.flags = [0, 0], [0, 0]
