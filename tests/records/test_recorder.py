"""The bulk recording beside a probe that looks at every bus cycle, on both engines."""

from itertools import pairwise

import numpy as np
import pytest

from simkit import Machine
from simkit.backplane.cycle import Kind
from simkit.contract.errors import SimkitError
from simkit.records.recorder import Filter, Like, Recorder

SYNC = {Kind.FETCH, Kind.INTERRUPT_FETCH}
CYCLES = 30_000
LINES = ("IRQ", "NMI", "RDY")


class Probed:
    """What a probe and single steps tell of the same run on the reference engine."""

    def __init__(self, demo):
        machine = Machine.load(f"demo:{demo}", engine="exact")
        self.cycles, self.levels, self.registers = [], [], {}
        machine.bus.watchers.add(probe=self.see)
        cpu = machine.cpu
        while machine.cycle < CYCLES:
            if not (cpu.due or cpu.held or cpu.reset_due):
                self.registers[machine.cycle] = (cpu.pc, cpu.a, cpu.x, cpu.y, cpu.sp, cpu.p)
            machine.step()

    def see(self, cycle):
        self.cycles.append((cycle.cycle, cycle.address, cycle.data, cycle.is_write, cycle.is_fetch, cycle.selected))
        self.levels.append({name: cycle.lines[name] for name in LINES})


@pytest.fixture(scope="module", params=["marlpit", "banks-test", "bench"])
def demo(request):
    return request.param, Probed(request.param)


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_every_bus_cycle_is_recorded_as_a_probe_sees_it(demo, engine):
    name, probed = demo
    machine = Machine.load(f"demo:{name}", engine=engine)
    with Recorder(machine) as recorder:
        machine.run(cycles=CYCLES)
    found = recorder.cycles
    sync = (found.kind == Kind.FETCH) | (found.kind == Kind.INTERRUPT_FETCH)
    told = zip(
        *(column.tolist() for column in (found.cycle, found.address, found.data, found.is_write, sync)), strict=True
    )
    assert [one[:5] for one in probed.cycles][: len(found)] == list(told)[: len(probed.cycles)]
    assert recorder.full is None


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_registers_are_those_before_each_instruction(demo, engine):
    name, probed = demo
    machine = Machine.load(f"demo:{name}", engine=engine)
    with Recorder(machine, None, registers="instructions") as recorder:
        machine.run(cycles=CYCLES)
    found = recorder.registers
    columns = (found.pc, found.a, found.x, found.y, found.sp, found.p)
    told = dict(zip(found.cycle.tolist(), zip(*(column.tolist() for column in columns), strict=True), strict=True))
    assert told == {cycle: registers for cycle, registers in probed.registers.items() if cycle < machine.cycle}
    assert len(recorder.cycles) == 0


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_registers_of_handlers_are_recorded_at_their_first_instruction_and_behind_their_rti(demo, engine):
    name, probed = demo
    machine = Machine.load(f"demo:{name}", engine=engine)
    with Recorder(machine, registers="handlers") as recorder:
        machine.run(cycles=CYCLES)
    kind, cycle = recorder.cycles.kind, recorder.cycles.cycle
    code = recorder.cycles.data
    fetches = np.flatnonzero(kind == Kind.FETCH)
    behind_sequence = {int(cycle[n]) for n in fetches[1:] if kind[n - 1] == Kind.INTERRUPT}
    ends = {int(cycle[following]) for n, following in pairwise(fetches) if code[n] in (0x00, 0x40)}
    begun = {int(one) for one in recorder.registers.cycle}
    assert behind_sequence <= begun <= behind_sequence | ends | {machine.cycle}
    for at, *registers in zip(recorder.registers.cycle.tolist(), recorder.registers.pc.tolist(), strict=True):
        if at in probed.registers:
            assert probed.registers[at][0] == registers[0]


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_levels_of_lines_follow_from_their_changes(demo, engine):
    name, probed = demo
    machine = Machine.load(f"demo:{name}", engine=engine)
    before = {line: machine.lines[line].level for line in LINES}
    with Recorder(machine, None, lines=LINES) as recorder:
        machine.run(cycles=CYCLES)
    changes = recorder.lines
    levels = dict(before)
    moves = {}
    for cycle, number, level in zip(
        changes.cycle.tolist(), changes.number.tolist(), changes.level.tolist(), strict=True
    ):
        moves.setdefault(cycle, []).append((changes.names[number], level))
    for (cycle, *_), seen in zip(probed.cycles, probed.levels, strict=True):
        levels.update(moves.get(cycle, ()))
        assert levels == seen, cycle
    assert name != "bench" or len(changes.cycle) == 4


@pytest.mark.parametrize(
    ("which", "belongs"),
    [
        (Filter(first=0x0100, last=0x01FF), lambda c: 0x100 <= c[1] <= 0x1FF),
        (Filter(kinds=SYNC), lambda c: c[4]),
        (Filter(begin=20_000, end=20_500), lambda c: 20_000 <= c[0] < 20_500),
        (Filter(first=0x8000, kinds=SYNC, begin=100), lambda c: c[1] >= 0x8000 and c[4] and c[0] >= 100),
        (Filter(writes=True), lambda c: c[3]),
        (Filter(writes=False), lambda c: not c[3]),
        (Filter(writes=True, last=0x01FF, begin=9000), lambda c: c[3] and c[1] <= 0x1FF and c[0] >= 9000),
    ],
)
def test_a_filter_keeps_what_it_says(demo, which, belongs):
    name, probed = demo
    machine = Machine.load(f"demo:{name}")
    with Recorder(machine, which) as recorder:
        machine.run(cycles=CYCLES)
    expected = [c[0] for c in probed.cycles if belongs(c) and c[0] < machine.cycle]
    assert [c for c in recorder.cycles.cycle.tolist() if c <= expected[-1]] == expected


def test_what_finds_no_room_is_told_with_the_cycle_and_what_was_kept_stays():
    machine = Machine.load("demo:marlpit")
    with Recorder(machine, most_bytes=80_000) as recorder:
        machine.run(cycles=50_000)
    assert recorder.full == 10_000
    assert recorder.cycles.cycle.tolist() == list(range(10_000))


def test_recording_changes_nothing_and_two_recorders_each_get_theirs():
    plain, recorded = Machine.load("demo:bench"), Machine.load("demo:bench")
    plain.run(cycles=200_000)
    with Recorder(recorded, registers="instructions", lines=("IRQ",)) as outer:
        recorded.run(cycles=70_000)
        with Recorder(recorded, None, registers="handlers", lines=("RDY", "IRQ")) as inner:
            recorded.run(cycles=plain.cycle - recorded.cycle)
    assert recorded.save_state() == plain.save_state()
    assert outer.cycles.cycle.tolist() == list(range(recorded.cycle))
    assert inner.registers.cycle[0] >= 70_000
    assert recorded.bus.recording.ring is None
    assert not recorded.bus.recording.each
    assert not recorded.bus.recording.handlers


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"lines": ("IRK",)}, "no line 'IRK'"),
        ({"lines": ("5.NOPE",)}, "no pin '5.NOPE'"),
        ({"registers": "always"}, "cannot be recorded 'always'"),
        ({"which": Filter(first=0x200, last=0x1FF)}, "no range"),
        ({"which": Filter(last=0x1_0000)}, "no range"),
        ({"which": Filter(begin=5, end=5)}, "not after the one it begins in"),
        ({"which": Filter(slots={1, 9})}, "no card in slot 9"),
        ({"which": Filter(begin=-1)}, "begins in cycle -1 .* none but 0 to 4611686018427387904"),
        ({"which": Filter(begin=2**62 + 1)}, "begins in cycle 4611686018427387905"),
        ({"which": Filter(end=2**70)}, "ends in 1180591620717411303424"),
        ({"which": Filter(end=-5)}, "ends in -5"),
        (
            {"which": Filter(kinds={"DATA"})},
            "'DATA' is no kind of bus cycle.\nName some of Kind.FETCH, Kind.DATA, Kind",
        ),
        (
            {"which": Filter(kinds={Kind.DATA, 6})},
            "6 is no kind .*\n.* Kind.DUMMY, Kind.INTERRUPT, Kind.RESET, Kind.INTER",
        ),
    ],
)
def test_what_cannot_be_recorded_is_refused_before_anything_is(asked, told):
    machine = Machine.load("demo:marlpit")
    with pytest.raises(SimkitError, match=told):
        Recorder(machine, **asked)
    assert machine.bus.recording.ring is None


# beside another run --------------------------------------------------------------------------------------------------


def recorded(demo, slices, *, like=None, at=None, do=None):
    """Recorder of a run in slices; in cycle `at` something is done to the machine."""
    machine = Machine.load(f"demo:{demo}")
    with Recorder(machine, lines=(*LINES, "RESET"), like=like) as recorder:
        for end in sorted({*range(slices, CYCLES, slices), *([at] if at else []), CYCLES}):
            machine.run_to(end)
            machine.bus.recording.catch_up()
            if end == at:
                do(machine)
    return recorder


def like_of(recorder):
    return Like(recorder.cycles.words, recorder.marks, recorder.lines.first)


@pytest.mark.parametrize("demo", ["marlpit", "banks-test", "bench"])
def test_of_a_run_that_is_another_nothing_is_kept_but_what_moved(demo):
    whole = recorded(demo, CYCLES)
    beside = recorded(demo, 7_001, like=like_of(whole))
    assert beside.is_alike
    assert beside.alike == len(whole.cycles)
    assert len(beside.cycles) == 0
    assert beside.marks.tolist() == whole.marks.tolist()


@pytest.mark.parametrize("demo", ["marlpit", "banks-test", "bench"])
@pytest.mark.parametrize("what", ["byte", "reset"])
def test_from_where_a_run_is_another_all_of_it_is_kept(demo, what):
    def do(machine):
        if what == "reset":
            machine.reset()
        else:
            machine.cpu.pc = machine.vectors()["RESET"]

    whole = recorded(demo, CYCLES)
    other = recorded(demo, CYCLES, at=20_000, do=do)
    beside = recorded(demo, 3_000, like=like_of(whole), at=20_000, do=do)
    assert not beside.is_alike
    assert 17_000 < beside.alike <= 20_010
    assert np.array_equal(np.concatenate((whole.cycles.words[: beside.alike], beside.cycles.words)), other.cycles.words)
    assert beside.marks.tolist() == other.marks.tolist()
    assert beside.cycles.cycle.tolist() == other.cycles.cycle[beside.alike :].tolist()


def test_a_run_in_which_a_line_moves_otherwise_is_another_though_its_bus_cycles_are_the_same():
    whole = recorded("bench", CYCLES)
    marks = whole.marks
    moment = int(whole.lines.cycle[2])
    one_more = np.insert(marks, 2, marks[2])
    for wrong in (
        np.delete(marks, 2),
        one_more,
        marks[:2],
        np.concatenate((marks[:2], marks[2:] ^ np.uint64(1 << 16))),
    ):
        beside = recorded("bench", 1_000, like=Like(whole.cycles.words, wrong, whole.lines.first))
        assert not beside.is_alike
        assert moment - 2_000 < beside.alike <= moment + 1_000
        assert beside.marks.tolist() == marks.tolist()
    levels = tuple(not level for level in whole.lines.first)
    assert recorded("bench", 1_000, like=Like(whole.cycles.words, marks, levels)).alike == 0
