"""What a sink may do while it is handed records: stop itself or another, begin one, raise. Nobody else may notice."""

import pytest
from numpy.testing import assert_array_equal

from simkit.records.cycles import Cycles
from simkit.records.recorder import Recorder
from tests.short_ring import FULL as RING

pytestmark = pytest.mark.usefixtures("short_ring")

END = RING + 2_000
"""Cycles of a run, in the middle of which the sinks are called once."""
PROGRAMS = {
    # loop: inc $40, inc $0200, lda $7f02 (asks the card), jmp loop
    "plain memory": ("E640 EE0002 AD027F 4C0080", None),
    # loop: lda $7f03 six times, jmp loop: the ring is full inside an access that waits, as good as ever
    "accesses that wait": ("AD037F" * 6 + "4C0080", 9),
}


class Acting:
    """A sink that does something when it gets records for the first time.

    Attributes:
        times: how often it has got some.
        behind: the cycle behind those it has got first.
    """

    def __init__(self, act):
        self.act, self.times, self.behind = act, 0, None

    def __call__(self, records):
        self.times += 1
        if self.times == 1:
            self.behind = int(Cycles.of(records).cycle[-1]) + 1
            self.act()


@pytest.fixture(scope="module", params=PROGRAMS)
def run(request, small_machine, probed):
    """Makes the machine; what a probe tells of it; its state at the end."""
    program, wait = PROGRAMS[request.param]

    def make(engine):
        return small_machine(program, engine, wait=wait)

    undisturbed = make("exact")
    undisturbed.run(cycles=END)
    return make, probed(make("exact"), END), undisturbed.save_state()


DEEDS = ("stops itself", "stops itself and begins anew", "begins another", "stops another")
EACH_DEED = [
    pytest.param(does, place, marks=() if number % 2 == at else pytest.mark.slow)
    for number, does in enumerate(DEEDS)
    for at, place in enumerate(("first", "last"))
]
"""Each deed in one place, and in the other when there is time."""


@pytest.mark.parametrize(("does", "place"), EACH_DEED)
def test_a_sink_may_stop_and_begin_recordings_and_nobody_else_loses_anything(run, engine, does, place, chunks, told):
    make, truth, state = run
    machine = make(engine)
    record, witness, other, late = machine.bus.record, chunks(), chunks(), chunks()
    handles = []

    def act():
        if does == "stops another":
            another.remove()
        if does.startswith("stops itself"):
            acting.remove()
        if does.endswith(("anew", "begins another")):
            handles.append(record(late))

    if place == "last":
        handles.append(record(witness))
    another = record(other)
    sink = Acting(act)
    acting = record(sink)
    if place == "first":
        handles.append(record(witness))
    machine.run(cycles=END)
    for handle in (*handles, another, acting):
        handle.remove()
    assert machine.save_state() == state
    assert machine.bus.recording.ring is None
    assert_array_equal(told(witness.cycles), truth)
    assert sink.times == (1 if does.startswith("stops itself") else 2)
    assert_array_equal(told(other.cycles), truth[: sink.behind] if does == "stops another" else truth)
    begun = does.endswith(("anew", "begins another"))
    assert_array_equal(told(late.cycles), truth[sink.behind if begun else END + RING :])


class Short(Recorder):
    """Stops itself at what it gets first."""

    def _take(self, records):
        super()._take(records)
        self.stop()


def test_a_recorder_may_stop_itself_while_it_is_handed_records(run, engine, told):
    make, truth, state = run
    machine = make(engine)
    short = Short(machine)
    with Recorder(machine) as recorder:
        machine.run(cycles=END)
    assert machine.save_state() == state
    assert_array_equal(told(recorder.cycles), truth)
    assert RING - 100 < len(short.cycles) < RING + 100
    assert_array_equal(told(short.cycles), truth[: len(short.cycles)])


def test_the_only_recording_may_stop_itself_and_the_machine_goes_on(run, engine):
    make, _, state = run
    machine = make(engine)
    sink = Acting(lambda: handle.remove())
    handle = machine.bus.record(sink)
    machine.run(cycles=END)
    assert sink.times == 1
    assert machine.bus.recording.ring is None
    assert machine.save_state() == state


@pytest.mark.parametrize("stopped", ["itself", "the other"])
def test_a_sink_that_stops_whom_somebody_is_about_to_stop_does_no_harm(run, engine, stopped, chunks, told):
    make, truth, _ = run
    machine = make(engine)
    handles = {}
    handles["itself"] = machine.bus.record(Acting(lambda: handles[stopped].remove()))
    witness = chunks()
    handles["the other"] = machine.bus.record(witness)
    machine.run(cycles=1000)
    handles[stopped].remove()
    end = machine.cycle
    machine.run(cycles=1000)
    for handle in handles.values():
        handle.remove()
    assert machine.bus.recording.ring is None
    assert_array_equal(told(witness.cycles), truth[: end if stopped == "the other" else machine.cycle])


class Raises:
    """A sink that raises when it gets something for the first time."""

    def __init__(self, error):
        self.error, self.kept = error, []

    def __call__(self, records):
        self.kept.append(bytes(records))
        if len(self.kept) == 1:
            raise self.error


@pytest.mark.parametrize("place", ["first", "last"])
@pytest.mark.parametrize("way", ["run", "step", "step_cycle"])
def test_what_a_sink_raises_comes_out_between_two_instructions_and_nothing_is_lost(
    run, engine, place, way, chunks, told
):
    """Soon: in the instruction that fills the ring, or behind it. Of `step_cycle` it comes out behind the cycle."""
    make, truth, state = run
    machine = make(engine)
    witness, bad = chunks(), Raises(OSError("the disk is full"))
    handles = [machine.bus.record(sink) for sink in ((bad, witness) if place == "first" else (witness, bad))]
    if way != "run":
        machine.run(cycles=RING - 500)

    def go():
        while machine.cycle < END:
            if way == "run":
                machine.run(cycles=END - machine.cycle)
            else:
                getattr(machine, way)()

    with pytest.raises(OSError, match="the disk is full"):
        go()
    assert machine.cycle < RING + 100
    assert truth[machine.cycle][4] or way == "step_cycle", "an instruction begins here"
    machine.run(cycles=END - machine.cycle)
    assert machine.save_state() == state
    for handle in handles:
        handle.remove()
    assert_array_equal(told(witness.cycles), truth)


def test_of_two_sinks_that_raise_the_first_is_told_once(run, engine):
    make, _, state = run
    machine = make(engine)
    for error in (OSError("one"), ValueError("two")):
        machine.bus.record(Raises(error))
    with pytest.raises(OSError, match="one"):
        machine.run(cycles=END)
    machine.run(cycles=END - machine.cycle)
    assert machine.save_state() == state


def test_what_a_sink_raises_between_two_runs_comes_out_of_what_was_asked_there(run, engine, chunks, told):
    make, truth, _ = run
    machine = make(engine)
    witness = chunks()
    bad, handle = machine.bus.record(Raises(OSError("the disk is full"))), machine.bus.record(witness)
    machine.run(cycles=1000)
    with pytest.raises(OSError, match="the disk is full"):
        handle.remove()
    assert_array_equal(told(witness.cycles), truth[: machine.cycle])
    bad.remove()
    machine.run(cycles=1000)


def test_ctrl_c_in_a_sink_comes_out_when_all_others_have_the_records(run, engine, chunks, told):
    make, truth, _ = run
    machine = make(engine)
    before, after = chunks(), chunks()
    handles = [machine.bus.record(sink) for sink in (before, Raises(KeyboardInterrupt()), after)]
    with pytest.raises(KeyboardInterrupt):
        machine.run(cycles=END)
    assert machine.cycle < RING + 100
    for handle in handles:
        handle.remove()
    assert before.kept == after.kept
    assert_array_equal(told(before.cycles)[: RING - 100], truth[: RING - 100])
