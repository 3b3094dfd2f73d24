"""Rows of a trace say what a probe sees, in whatever pieces the run is handed on, and say it with the right names."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.records.bus_rows import RowMaker, Wanted
from simkit.records.bus_stream import BusStream
from simkit.records.bus_text import BusText
from simkit.records.lines import lines_told

CYCLES = 1_500
WIRED = ("D3 and D4 exchanged",)


def machine_of(name, engine, **how):
    machine = Machine.load(f"demo:{name}", engine=engine, **how)
    if name == "serial-test":
        machine.serial.send(b"hello")
    return machine


ALL = Wanted()


def traced(machine, cycles, pieces=(), wanted=ALL, most=None):
    """Rows of so many cycles, drained after each piece."""
    rows = []
    maker = RowMaker(machine, wanted, rows.extend)
    maker.most = most
    stream = BusStream(machine, maker.add, lines_told(machine))
    end = machine.cycle + cycles
    for piece in pieces:
        machine.run(cycles=min(piece, max(0, end - machine.cycle)))
        stream.drain()
    machine.run(cycles=max(0, end - machine.cycle))
    stream.stop()
    maker.finish()
    return rows


def told(row):
    kinds = {"fetch": "instruction", "data": "instruction"}
    lines = row.address, row.data, row.backplane, row.is_write
    return row.cycle, *lines, kinds.get(row.kind, row.kind), row.drivers, row.selected


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize("name", ["marlpit", "banks-test", "serial-test", "bench"])
def test_a_row_is_what_a_probe_sees_of_the_cycle(name, engine):
    machine, seen = machine_of(name, "exact"), []
    machine.add_probe(
        lambda c: seen.append((c.cycle, c.address, c.cpu_data, c.data, c.is_write, c.kind, c.drivers, c.selected))
    )
    machine.run(cycles=CYCLES)
    rows = traced(machine_of(name, engine), CYCLES)
    assert len(rows) >= CYCLES
    assert [told(row) for row in rows] == seen


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_where_wiring_stands_between_cpu_and_backplane_both_bytes_are_told(engine):
    rows = traced(Machine.load("demo:marlpit", wiring=WIRED, engine=engine), 400)
    assert any(row.data != row.backplane for row in rows)
    assert "(backplane " in "".join(map(BusText(Machine.load("demo:marlpit")).line, rows))
    machine, seen = Machine.load("demo:marlpit", wiring=WIRED), []
    machine.add_probe(lambda c: seen.append((c.cycle, c.cpu_data, c.data)))
    machine.run(cycles=400)
    assert [(row.cycle, row.data, row.backplane) for row in rows] == seen


@pytest.fixture(scope="module")
def whole():
    return traced(machine_of("marlpit", "exact"), CYCLES)


@given(pieces=st.lists(st.integers(1, 700), max_size=8))
@settings(max_examples=5, deadline=None)
def test_pieces_make_no_difference(whole, pieces):
    assert traced(machine_of("marlpit", "auto"), CYCLES, pieces) == whole


FILTERS = {
    "address": (Wanted(addresses=((0x0200, 0x02FF),)), lambda row: 0x0200 <= row.address <= 0x02FF),
    "ranges": (
        Wanted(addresses=((0, 0xFF), (0x8000, 0x8008))),
        lambda row: row.address <= 0xFF or 0x8000 <= row.address <= 0x8008,
    ),
    "slot": (Wanted(slots={1}), lambda row: 1 in row.selected),
    "slots": (Wanted(slots={1, 5}), lambda row: {1, 5} & {*row.selected}),
    "kind": (Wanted(kinds={"dummy", "reset"}), lambda row: row.kind in ("dummy", "reset")),
    "label": (Wanted(labels={"reset"}), lambda row: row.pc is not None and row.place.label == "reset"),
    "writes": (Wanted(writes=True), lambda row: row.is_write),
    "reads at once": (
        Wanted(slots={1}, writes=False, kinds={"dummy"}),
        lambda row: 1 in row.selected and not row.is_write and row.kind == "dummy",
    ),
}


@pytest.mark.parametrize("name", FILTERS)
def test_a_filter_leaves_out_what_does_not_fit_and_nothing_else(whole, name):
    wanted, fits = FILTERS[name]
    found = traced(machine_of("marlpit", "auto"), CYCLES, (1000,), wanted)
    assert found == [row for row in whole if fits(row)]
    assert 0 < len(found) < len(whole)


def test_the_last_rows_are_those_of_the_end(whole):
    rows = traced(machine_of("marlpit", "auto"), CYCLES, (1000,), most=5)
    assert rows[-5:] == whole[-5:]


def test_instructions_are_what_the_cpu_fetched_with_label_and_source_line(whole):
    first = next(row for row in whole if row.kind == "fetch")
    assert (first.instruction, first.place.name) == ("SEI", "reset")
    assert Path(first.place.file).name == "slug-watch.asm"
    line = BusText(machine_of("marlpit", "exact")).line(first)
    assert "reset: SEI" in line
    assert "slug-watch.asm:35" in line
    assert [row.instruction for row in whole if row.instruction][3:6] == ["TXS", "LDX #$00", "STZ $00,X"]


def test_what_happens_beside_an_access_stands_in_its_cycle():
    rows = traced(machine_of("marlpit", "auto"), 30_000, [10_000] * 2)
    events = [one for row in rows for one in row.beside if one.what == "event"]
    assert {one.slot for one in events} >= {5}
    cycles = [row.cycle for row in rows for one in row.beside if one.cycle == row.cycle]
    assert len(cycles) == sum(len(row.beside) for row in rows)
    machine = machine_of("marlpit", "auto")
    machine.pads[1].press("left")
    (given,) = [one for row in traced(machine, 50) for one in row.beside if one.what == "outside"]
    assert (given.slot, given.words[1]) == (4, "press")


def test_registers_are_named_by_the_side_that_is_accessed():
    rows = traced(machine_of("pad-test", "auto"), 120_000, [20_000] * 5, Wanted(slots={4}))
    assert {one.register for row in rows for one in row.reached} == {"port_1", "port_2"}


def test_a_line_that_moves_is_told_in_the_cycle_from_which_it_counts():
    machine = machine_of("bench", "exact")
    seen = []
    machine.add_probe(lambda c: seen.append(c.lines["IRQ"]))
    machine.run(cycles=22_000)
    moved = [cycle for cycle in range(1, len(seen)) if seen[cycle] != seen[cycle - 1]]
    rows = traced(machine_of("bench", "auto"), 22_000, [5_000] * 3)
    found = [row.cycle for row in rows for one in row.beside if one.what == "line" and one.words[0] == "IRQ"]
    assert found == moved
    assert len(moved) > 2
    assert "IRQ sequence" in {row.instruction for row in rows}


# loop: lda $7f02, sta $40, inc $7f03, pha, pla, jmp loop
HELD = "AD027F 8540 EE037F 48 68 4C0080"


def held_by_rdy(small_machine, obedient, engine):
    """A machine whose card pulls RDY low for three cycles now and then, by events of its own."""
    machine = small_machine(HELD, engine, lines={"LOW": "RDY"})
    card = obedient(machine)
    card.slot.at(100, "hold")

    def happens(name, cycle):
        card.slot.at(cycle + (3 if name == "hold" else 17), "go" if name == "hold" else "hold")
        card.slot.pin("LOW").drive(False if name == "hold" else None, cycle)

    card.happens = happens
    return machine


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_repeats_under_rdy_and_the_events_that_cause_them_are_shown(small_machine, obedient, engine):
    seen = []
    probed = held_by_rdy(small_machine, obedient, "exact")
    probed.add_probe(
        lambda c: seen.append((c.cycle, c.address, c.cpu_data, c.data, c.is_write, c.kind, c.drivers, c.selected))
    )
    probed.run(cycles=600)
    rows = traced(held_by_rdy(small_machine, obedient, engine), 600, [50] * 6)
    assert [told(row) for row in rows] == seen
    repeats = [row.cycle for row in rows if row.repeats]
    events = {(one.cycle, one.words[0]) for row in rows for one in row.beside if one.what == "event"}
    held = {cycle for cycle, name in events if name == "hold"}
    assert len(held) > 10
    low = {cycle + n for cycle in held for n in range(3)}
    assert repeats == [row.cycle for row in rows if row.cycle in low and not row.is_write]  # an NMOS part writes on
    machine = held_by_rdy(small_machine, obedient, engine)
    lines = [BusText(machine).line(row) for row in rows if row.cycle in held and row.repeats]
    assert all("RDY low: the same once more; slot " in line and ": hold" in line for line in lines)
    only = traced(held_by_rdy(small_machine, obedient, engine), 600, [50] * 6, Wanted(kinds={"repeat"}))
    assert only == [row for row in rows if row.repeats]
    instructions = [row.instruction for row in rows if row.instruction]
    assert set(instructions[2:-1]) == {"LDA $7F02", "STA $40", "INC $7F03", "PHA", "PLA", "JMP $8000"}
