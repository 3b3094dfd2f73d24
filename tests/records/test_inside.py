"""Recording begun or stopped in the middle of an instruction, an access or an event, by whoever is called there."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from simkit.records.recorder import Recorder

# cli | loop: inc $40, stx $7f00 (may wait), brk, nop, lda $7f02 (pulls IRQ in an event), sta $7f03, inx, jmp loop
PROGRAM = "58 E640 8E007F 00EA AD027F 8D037F E8 4C0180"
HANDLER = "48 AD037F E642 68 40"  # pha, lda $7f03 (lets IRQ go), inc $42, pla, rti
LINES = {"LOW": "IRQ", "P0": "LA"}
BEGIN, END = 600, 3000
RTI, BRK = 0x40, 0x00


@pytest.fixture
def make(small_machine, obedient):
    """Makes the machine; `also` is called in each access and event with (what, cycle) before anything is done there."""

    def made(engine, also=lambda what, cycle: None):
        machine = small_machine(PROGRAM, engine, handler=HANDLER, lines=LINES)
        card = obedient(machine)

        def told(is_write, offset, value, cycle):
            also("a write that waits" if offset == card.LAMPS else "a write" if is_write else "a read", cycle)
            if offset == card.LOOK:
                card.slot.at(cycle + 7, "pull")
            elif offset == card.SPARE:
                card.slot.pin("LOW").drive(None, cycle)
                card.slot.pin("P0").drive(not cycle & 1, cycle)

        def happens(name, cycle):
            also("an event", cycle)
            card.slot.pin("LOW").drive(False, cycle)

        card.told, card.happens = told, happens
        return machine

    return made


@pytest.fixture(scope="module")
def whole(small_machine):
    """Keeps what was recorded of the whole run, once it has been."""
    return {}


def go_on(machine):
    """Up to the end; a machine that is there stays where it is."""
    if machine.cycle < END:
        machine.run(cycles=END - machine.cycle)


def recorded_from_the_beginning(make, whole):
    if not whole:
        machine = make("exact")
        with Recorder(machine, registers="instructions", lines=("IRQ", "LA")) as recorder:
            machine.run(cycles=END)
        with_handlers = make("exact")
        with Recorder(with_handlers, None, registers="handlers") as handlers:
            with_handlers.run(cycles=END)
        whole.update(recorder=recorder, handlers=handlers, state=machine.save_state())
    return whole


PLACES = ["a read", "a write", "a write that waits", "an event", "a probe", "a sink"]


@pytest.mark.parametrize("place", PLACES)
def test_what_is_recorded_from_inside_is_complete_from_then_on(make, whole, engine, told, place):
    """The access in which it was begun is there; behind a cycle that a probe sees, or a sink gets, the next one is.

    An event comes behind the moment at which the registers of an instruction that begins in its cycle are noted.
    """
    truth = recorded_from_the_beginning(make, whole)
    begun = {}

    def also(what, cycle):
        if what == place and cycle >= BEGIN and not begun:
            begun["each"] = Recorder(machine, registers="instructions", lines=("IRQ", "LA"))
            begun["handlers"] = Recorder(machine, None, registers="handlers")
            begun["at"] = cycle

    machine = make(engine, also)
    handle = None
    if place == "a probe":
        handle = machine.add_probe(lambda bus_cycle: also("a probe", bus_cycle.cycle))
    if place == "a sink":
        handle = machine.bus.record(lambda records: also("a sink", machine.cycle - 1))
        machine.run(cycles=BEGIN + 1)
        machine.bus.recording.catch_up()
    go_on(machine)
    if handle is not None:
        handle.remove()
    assert machine.save_state() == truth["state"]
    each, handlers = begun["each"], begun["handlers"]
    first = begun["at"] + 1 if place in ("a probe", "a sink") else begun["at"]
    if place == "a write that waits" and engine != "exact":
        first = int(each.cycles.cycle[0])  # handed over later, when the engine likes
        assert begun["at"] <= first < END - 1000
    cycles = told(truth["recorder"].cycles)
    assert_array_equal(told(each.cycles), cycles[cycles[:, 0] >= first])
    for mine, theirs in ((each, truth["recorder"]), (handlers, truth["handlers"])):
        assert_array_equal(columns(mine.registers), rows_from(columns(theirs.registers), first + (place == "an event")))
        assert len(mine.registers.cycle) > 30
    assert_array_equal(line_moves(each), rows_from(line_moves(truth["recorder"]), first))


def columns(registers):
    return np.stack([getattr(registers, name) for name in ("cycle", "pc", "a", "x", "y", "sp", "p")], axis=1)


def line_moves(recorder):
    lines = recorder.lines
    return np.stack([lines.cycle, lines.number, lines.level], axis=1)


def rows_from(rows, cycle):
    return rows[rows[:, 0] >= cycle]


@pytest.mark.parametrize(("code", "into"), [*((RTI, n) for n in range(1, 7)), *((BRK, n) for n in range(1, 8))])
@pytest.mark.parametrize("by", ["step_cycle", "a probe"])
def test_a_recorder_may_be_stopped_inside_an_instruction_that_ends_or_begins_a_handler(
    make, whole, engine, code, into, by
):
    truth = recorded_from_the_beginning(make, whole)
    machine = make(engine)
    recorder = Recorder(machine, registers="handlers", lines=("IRQ",))
    begun = []

    def seen(bus_cycle):
        if bus_cycle.cycle >= BEGIN and bus_cycle.is_fetch and bus_cycle.kind == "instruction":
            begun[:] = [bus_cycle.cycle] if bus_cycle.data == code else []
        if begun and bus_cycle.cycle == begun[0] + into - 1:
            found.append(bus_cycle.cycle + 1)
            if by == "a probe":
                recorder.stop()

    found = []
    handle = machine.add_probe(seen)
    if by == "a probe":
        go_on(machine)
    else:
        while not found and machine.cycle < END:
            machine.step_cycle()
        recorder.stop()
    behind = by == "step_cycle" and not machine.inside_instruction  # the handler has begun, or returned
    handle.remove()
    go_on(machine)
    assert machine.save_state() == truth["state"]
    assert recorder.cycles.cycle.tolist() == list(range(found[0]))
    expected = columns(truth["handlers"].registers)
    assert_array_equal(columns(recorder.registers), expected[expected[:, 0] < found[0] + behind])
