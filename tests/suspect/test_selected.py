"""Selects beside the bus: what a candidate's decoders make of the address on the lines."""

import attrs
import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.machine.machine import Machine
from simkit.records.observed import Observer
from simkit.suspect.selected import not_selected
from tests.suspect.conftest import FULL, spoilt

LINES = [*FULL, *(f"{slot}.select" for slot in range(1, 6))]


def faulted(*faults):
    return Machine.load("demo:pad-test", seed=7, faults=list(faults))


def captured(*faults):
    machine = faulted(*faults)
    with Observer(machine, [line for line in LINES if line != "4.select" or 4 in machine.cards]) as observer:
        machine.run_to(6_000)
    seen = observer.observed
    known = np.full(len(seen), (1 << len(seen.names)) - 1, np.uint64)
    none = np.zeros(len(seen), bool)
    return Captured(seen.names, seen.levels, known, np.arange(len(seen), dtype=float), none)


@pytest.mark.parametrize(
    "fault",
    [
        "A2 exchanged with A3",
        "A6 inverted",
        "A14 shorted to A15",
        "A7 open",
        "RW low",
        "D6 late",
        "slot 2: line A15 high",
        "slot 4: line A7 open",
        "slot 5: selected by never",
        "slot 4: card removed",
    ],
)
def test_the_selects_of_a_fault_are_its_own_whatever_is_done_to_the_address(fault):
    seen = captured(fault)
    for one in (seen, spoilt(seen, 1), spoilt(seen, 2)):
        assert not_selected(faulted(fault), one) == ([], "")


@pytest.mark.parametrize("candidate", ["A2 exchanged with A3", "A6 inverted", "D6 late", "slot 1: pin D1 low"])
def test_a_card_that_is_selected_elsewhere_refutes_who_does_not_say_so(candidate):
    for one in (captured("slot 2: line A15 high"), spoilt(captured("slot 2: line A15 high"), 3)):
        rows, words = not_selected(faulted(candidate), one)
        assert len(rows) > 100
        assert f"in cycle {rows[0]} of the capture" in words
        assert words.endswith("the select of ROM (slot 2) is high; it was low.")


def test_a_few_rows_of_a_select_that_is_misread_or_not_known_refute_nobody():
    seen, machine = captured(), faulted()
    select = np.uint64(1 << seen.names.index("5.select"))
    few = attrs.evolve(seen, levels=seen.levels.copy())
    few.levels[::2_000] ^= select
    assert not_selected(machine, few) == ([], "")
    many = attrs.evolve(seen, levels=seen.levels.copy())
    many.levels[::100] ^= select
    assert not_selected(machine, many)[0] == list(range(0, len(seen), 100))
    assert not_selected(machine, attrs.evolve(many, known=many.known & ~select)) == ([], "")
    without = tuple("DRAWN" if name == "5.select" else name for name in many.names)
    assert not_selected(machine, attrs.evolve(many, names=without)) == ([], "")
