"""Records count cycles modulo 2**35, 4.7 hours at 2 MHz; who reads them counts on."""

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from simkit.backplane.records import CYCLE_SHIFT, CYCLES, whole_cycle
from simkit.contract.shapes import FURTHEST
from simkit.records.cycles import Cycles, whole_cycles
from simkit.records.recorder import Filter, Recorder

HALF = CYCLES // 2
NUMBERS = st.one_of(
    st.integers(0, FURTHEST),
    st.builds(lambda times, near: max(0, times * HALF + near), st.integers(0, 9), st.integers(-3, 3)),
)


def test_a_recording_counts_up_to_4_7_hours_at_2_mhz():
    """Arithmetic: 2**35 / 2 000 000 / 3600 = 4.77."""
    assert CYCLES == 2**35
    assert 4.7 < CYCLES / 2_000_000 / 3600 < 4.8


@given(NUMBERS, st.integers(-HALF, HALF - 1))
@example(0, 0)
@example(CYCLES, -1)
@example(HALF, -HALF)
def test_a_cycle_is_known_from_its_count_and_any_one_that_is_nearer_than_half_the_count(cycle, away):
    assert whole_cycle(cycle % CYCLES, cycle - away) == cycle


STEPS = st.one_of(st.integers(0, 9), st.integers(-HALF, HALF - 1))


@given(NUMBERS, STEPS, st.lists(STEPS, max_size=40), st.integers(0, 2**CYCLE_SHIFT - 1))
@example(CYCLES - 2, 0, [1] * 5, 0)
@example(0, 0, [HALF - 1] * 9, 0)
@example(HALF - 1, HALF - 1, [1], 0)
@example(CYCLES, -1, [0, 1, -2, 3], 5)
def test_cycles_of_records_are_known_from_one_before_them(since, first, steps, rest):
    """Also where a state is loaded, and time goes back or on."""
    cycles = [since + first]
    for step in steps:
        cycles.append(cycles[-1] + step)
    assume(min(cycles) >= 0)
    words = np.array([cycle % CYCLES << CYCLE_SHIFT | rest for cycle in cycles], np.uint64)
    assert whole_cycles(words, since).tolist() == cycles
    assert Cycles(words, since).cycle.tolist() == cycles


def test_no_records_have_no_cycles():
    assert whole_cycles(np.zeros(0, np.uint64), CYCLES + 5).tolist() == []


# loop: inc $40, inx, brk, nop, lda $7f02 (moves a line), jmp loop
PROGRAM = "E640 E8 00EA AD027F 4C0080"
RUN = 3000


@pytest.fixture
def make(small_machine, obedient):
    """A machine that has run for so long, without the time."""

    def made(engine, cycle):
        machine = small_machine(PROGRAM, engine, lines={"P0": "LA"})
        card = obedient(machine)
        looks = []

        def told(is_write, offset, value, cycle):
            looks.append(cycle)
            card.slot.pin("P0").drive(bool(len(looks) & 1), cycle)
            return len(looks) & 0xFF

        card.told = told
        machine.run(cycles=7)  # the reset sequence
        machine.cpu.cycle = machine.cpu.began = cycle
        return machine

    return made


def kept(recorder, moved):
    """All columns, cycle numbers as if they began so much earlier."""
    cycles, registers, lines = recorder.cycles, recorder.registers, recorder.lines
    numbers = [(column.cycle - np.uint64(moved)).tolist() for column in (cycles, registers, lines)]
    rest = [getattr(registers, name).tolist() for name in ("pc", "a", "x", "y", "sp", "p")]
    return numbers, rest, cycles.address.tolist(), cycles.data.tolist(), lines.level.tolist()


@pytest.mark.parametrize("at", [CYCLES - 1000, 7 * HALF - 1000, 3 * CYCLES, CYCLES + 7, 2**41 - 500])
def test_a_machine_that_has_run_for_hours_is_recorded_as_one_that_has_not(make, engine, at):
    found = []
    for begin, machine in ((7, make("exact", 7)), (at, make(engine, at))):
        recorders = [
            Recorder(machine, registers="instructions", lines=("LA",)),
            Recorder(machine, None, registers="handlers"),
            Recorder(machine, Filter(begin=begin + 500, end=begin + 1500)),
            Recorder(machine, Filter(slots={3})),
            Recorder(machine, most_bytes=8 * 2000),
        ]
        machine.run(cycles=RUN)
        found.append([[kept(recorder, begin) for recorder in recorders], recorders[-1].full - begin])
        assert len(recorders[2].cycles) == 1000
        assert len(recorders[3].cycles) > 100
        assert machine.cycle >= begin + RUN
    assert found[0] == found[1]


def test_registers_between_the_records_do_not_lead_the_count_astray(small_machine, engine):
    """X, Y, S and P stand where others have the cycle; seen from half of the count away they could turn it round."""
    machine = small_machine("4C0080", engine)
    machine.run(cycles=7)
    cpu = machine.cpu
    begin = HALF + (cpu.x | cpu.y << 8 | cpu.sp << 16 | cpu.p << 24) - 300
    cpu.cycle = cpu.began = begin
    with Recorder(machine, Filter(begin=begin + 100, end=begin + 500), registers="instructions") as recorder:
        machine.run(cycles=900)
    assert recorder.cycles.cycle.tolist() == list(range(begin + 100, begin + 500))
    assert recorder.registers.cycle.tolist() == list(range(begin, machine.cycle, 3))
