"""Several recorders at once, and one with little room: each has what it would have alone, and all of it or none."""

from itertools import permutations

import numpy as np
import pytest

from simkit.records.recorder import Filter, Recorder

CYCLES = 3_000
ROOM = 16
"""Bytes of registers; of a bus cycle or a change of a line half of it."""
# cli | loop: inc $40, brk, nop, lda $7f02 (pulls IRQ), inc $41, lda $7f03 (moves two lines), jmp loop
PROGRAM = "58 E640 00EA AD027F E641 AD037F 4C0180"
HANDLER = "48 AD007F E642 68 40"  # pha, lda $7f00 (lets IRQ go), inc $42, pla, rti
LINES = {"LOW": "IRQ", "P0": "LA", "P1": "LB"}


@pytest.fixture(scope="module")
def make(small_machine, obedient):
    def made(engine):
        machine = small_machine(PROGRAM, engine, handler=HANDLER, lines=LINES)
        card = obedient(machine)
        pin = card.slot.pin

        def told(is_write, offset, value, cycle):
            if offset == card.LOOK:
                pin("LOW").drive(False, cycle)
            elif offset == card.LAMPS:
                pin("LOW").drive(None, cycle)
            else:
                pin("P0").drive(not cycle & 1, cycle)
                pin("P1").drive(not cycle & 2, cycle)

        card.told = told
        return machine

    return made


def parts(recorder):
    """All that a recorder has kept, a list of columns each."""
    lines = recorder.lines
    return {
        "cycles": [recorder.cycles.cycle, recorder.cycles.words],
        "registers": [getattr(recorder.registers, name) for name in ("cycle", "pc", "a", "x", "y", "sp", "p")],
        "lines": [lines.cycle, lines.number, lines.level],
        "decodings": [recorder.decodings.cycle, recorder.decodings.number],
    }


def everything(recorder):
    rest = (recorder.lines.names, recorder.lines.first, recorder.full)
    return {name: [column.tolist() for column in columns] for name, columns in parts(recorder).items()}, rest


ASKED = {
    "handlers": {"which": None, "registers": "handlers"},
    "instructions": {"which": None, "registers": "instructions", "lines": ("LA", "IRQ")},
    "other lines": {"which": Filter(first=0x100, last=0x1FF), "lines": ("LB",), "decoding": False},
    "no marks, little room": {"most_bytes": 8 * 500, "decoding": False},
}


@pytest.fixture(scope="module")
def alone(make):
    """What each recorder gets alone, by engine; worked out once."""
    found = {}

    def of(engine):
        if engine not in found:
            found[engine] = {}
            for name, asked in ASKED.items():
                machine = make(engine)
                with Recorder(machine, **asked) as recorder:
                    machine.run(cycles=CYCLES)
                found[engine][name] = everything(recorder)
        return found[engine]

    return of


@pytest.mark.parametrize("order", tuple(permutations(ASKED)), ids=lambda order: order[0] + ", " + order[1])
def test_each_of_several_recorders_gets_what_it_gets_alone(make, alone, engine, order):
    machine = make(engine)
    recorders = {name: Recorder(machine, **ASKED[name]) for name in order}
    machine.run(cycles=CYCLES)
    for name, recorder in recorders.items():
        recorder.stop()
        assert everything(recorder) == alone(engine)[name], name
    handlers, none = recorders["handlers"], recorders["no marks, little room"]
    assert len(handlers.registers.cycle) > 100
    assert len(recorders["instructions"].registers.cycle) > 2 * len(handlers.registers.cycle)
    assert len(none.registers.cycle) == len(none.lines.cycle) == 0
    assert none.cycles.cycle.tolist() == list(range(500)), "marks that others asked for eat no room"


@pytest.mark.parametrize("way", ["in one go", "looked at between cycles"])
@pytest.mark.parametrize(
    "asked",
    [
        {"registers": "instructions", "lines": ("LA", "LB")},
        {"registers": "handlers", "lines": ("LA",), "which": Filter(first=0x8000)},
        {"registers": "instructions", "lines": ("IRQ", "LB"), "which": None},
    ],
    ids=["all", "few", "marks alone"],
)
def test_what_finds_no_room_is_left_out_from_a_cycle_on_and_nothing_before_it(make, engine, asked, way):
    """Also of the marks, which may stand before the records of cycles before theirs; registers are whole."""
    machine = make(engine)
    unbounded = Recorder(machine, **asked)
    bounded = {most: Recorder(machine, **asked, most_bytes=most) for most in range(0, 2000, 56)}
    if way == "in one go":
        machine.run(cycles=300)
    while way == "looked at between cycles" and (machine.cycle < 300 or machine.inside_instruction):
        machine.step_cycle()
        assert len(unbounded.cycles) <= machine.cycle  # hands on what there is
    whole = parts(unbounded)
    at = np.concatenate([columns[0] for columns in whole.values()])
    size = np.concatenate([np.full(len(whole[name][0]), ROOM if name == "registers" else ROOM // 2) for name in whole])
    for most, recorder in bounded.items():
        full = recorder.full
        assert (full is None) == (size.sum() <= most)
        if full is None:
            full = machine.cycle + 1
        else:
            assert size[at <= full + 1].sum() > most
        assert size[at < full].sum() <= most
        for name, columns in parts(recorder).items():
            before = [column[whole[name][0] < full] for column in whole[name]]
            assert [column.tolist() for column in columns] == [column.tolist() for column in before], (most, name)
    assert len({recorder.full for recorder in bounded.values()}) > 17
