"""What is possible between two runs only is refused to whoever is called in one, and the run goes on undisturbed."""

import copy
import pickle

import pytest

from simkit import Machine, SimkitError

# cli | loop: inc $40, stx $7f00 (may wait), lda $7f02 (pulls IRQ in an event), sta $7f03, inx, jmp loop
PROGRAM = "58 E640 8E007F AD027F 8D037F E8 4C0180"
HANDLER = "48 AD037F E642 68 40"  # pha, lda $7f03 (lets IRQ go), inc $42, pla, rti
BEGIN, END = 1000, 3000
CALLS = {
    "run": lambda machine, state: machine.run(cycles=100),
    "run until": lambda machine, state: machine.run(until=lambda machine: True),
    "step": lambda machine, state: machine.step(),
    "step_cycle": lambda machine, state: machine.step_cycle(),
    "save_state": lambda machine, state: machine.save_state(),
    "load_state": lambda machine, state: machine.load_state(state),
    "power_cycle": lambda machine, state: machine.power_cycle(),
    "call": lambda machine, state: machine.call(0x9000, a=1, x=2),
    "engine": lambda machine, state: setattr(machine, "engine", "exact"),
}
PLACES = ("a read", "a write", "a write that waits", "an event", "a line that moves", "a probe", "a tap", "a sink")
WAYS = {
    "run": lambda machine: machine.run(cycles=END - machine.cycle),
    "step": lambda machine: machine.step(),
    "step_cycle": lambda machine: machine.step_cycle(),
}


@pytest.fixture(params=["exact", "auto"])
def engine(request):
    return request.param


@pytest.fixture
def make(small_machine, obedient):
    """Makes the machine; `also` is called with (where, cycle) in each access and event, before all else."""

    def made(engine, also=lambda where, cycle: None):
        machine = small_machine(PROGRAM, engine, handler=HANDLER, lines={"LOW": "IRQ"})
        card = obedient(machine)

        def told(is_write, offset, value, cycle):
            also("a write that waits" if offset == card.LAMPS else "a write" if is_write else "a read", cycle)
            if offset == card.LOOK:
                card.slot.at(cycle + 7, "pull")
            elif offset == card.SPARE:
                card.slot.pin("LOW").drive(None, cycle)

        def happens(name, cycle):
            also("an event", cycle)
            card.slot.pin("LOW").drive(False, cycle)

        card.told, card.happens = told, happens
        machine.bus.nets.observe("IRQ", lambda line, cycle: also("a line that moves", cycle))
        return machine

    return made


def watched(machine, place, also):
    """Have `also` called at a place that is none of the card's; gives what ends it."""
    if place == "a probe":
        return machine.add_probe(lambda bus_cycle: also(place, bus_cycle.cycle))
    if place == "a tap":
        return machine.bus.watchers.add(tap=lambda cycle, *rest: also(place, cycle))
    if place == "a sink":  # the ring is handed on in mid-run when another sink is added, as good as when it is full
        done = []

        def add(bus_cycle):
            if bus_cycle.cycle >= BEGIN and not done:
                done.append(machine.bus.record(lambda records: None))

        machine.add_probe(add)
        return machine.bus.record(lambda records: also(place, BEGIN))
    return None


def run_on(machine, way):
    while machine.cycle < END or machine.inside_instruction:
        WAYS[way](machine)


EACH_WAY = [
    pytest.param(place, way, marks=() if number % len(WAYS) == list(WAYS).index(way) else pytest.mark.slow)
    for number, place in enumerate(PLACES)
    for way in WAYS
]
"""Each place in one way, and in the others when there is time."""


@pytest.mark.parametrize(("place", "way"), EACH_WAY)
def test_who_is_called_in_a_run_cannot_run_save_or_change_the_machine(make, engine, place, way):
    undisturbed = make("exact")
    undisturbed.run(cycles=BEGIN - 10)
    state = undisturbed.save_state()
    run_on(undisturbed, way)
    machine = refused = call = None

    def also(where, cycle):
        if where == place and cycle >= BEGIN and not refused:
            with pytest.raises(SimkitError) as error:
                call(machine, state)
            refused.append(error.value)

    for name, call in CALLS.items():  # noqa: B007 - `also` does it
        machine, refused = make(engine, also), []
        watched(machine, place, also)
        run_on(machine, way)
        assert len(refused) == 1, name
        assert refused[0].message.startswith("The machine is running: it is inside a bus cycle near cycle ")
        assert refused[0].remedy == "Note what is to be done, and do it when run() or step() has come back."
        assert machine.engine == engine
        assert machine.save_state() == undisturbed.save_state(), name


@pytest.mark.parametrize("place", PLACES)
def test_a_refusal_that_nobody_catches_ends_the_run_and_the_next_one_goes_on(make, engine, place):
    refused = []

    def also(where, cycle):
        if where == place and cycle >= BEGIN and not refused:
            refused.append(cycle)
            machine.step()

    machine = make(engine, also)
    watched(machine, place, also)
    with pytest.raises(SimkitError, match="The machine is running"):
        machine.run(cycles=END)
    assert machine.cycle < END or place == "a write that waits"
    machine.run(cycles=100)
    assert machine.save_state()


def test_what_may_be_done_in_a_run_is_done(make, engine):
    """Input is queued, memory looked at and changed, the wires are worked out anew: all that takes no time."""
    poked = []

    def also(where, cycle):
        if where == "a read" and cycle >= BEGIN and not poked:
            machine.poke(0x50, 0x77)
            poked.append(machine.peek(0x50))
            machine.reset()
            machine.bus.reach.redecode()

    machine = make(engine, also)
    machine.run(cycles=END)
    assert poked == [machine.peek(0x50)] == [0x77]


@pytest.mark.parametrize("way", [copy.copy, copy.deepcopy, pickle.dumps], ids=lambda way: way.__name__)
def test_a_machine_cannot_be_copied_and_says_what_can_be_done(engine, way):
    machine = Machine.load("demo:marlpit", engine=engine)
    machine.run(cycles=1000)
    with pytest.raises(SimkitError, match="A machine cannot be copied or pickled") as refused:
        way(machine)
    assert refused.value.remedy.startswith("Take its state with save_state(), load the machine a second time")
    other = Machine.load("demo:marlpit", engine=engine)
    other.load_state(machine.save_state())
    for each in (machine, other):
        each.run(cycles=1000)
    assert machine.save_state() == other.save_state()
