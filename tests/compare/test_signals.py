"""Selects, IRQ, NMI, RDY in a led comparison: silent on sound machines, named by slot and line where they are wrong."""

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.compare.guessed import HIGH, LOW
from simkit.compare.judged import Verdict, led
from simkit.compare.lines import diagnose
from simkit.compare.signal_faults import ANSWERED, IGNORED, NEEDS_LOW
from simkit.compare.told import as_dict, report
from simkit.records.observed import Observer
from tests.compare.takes import SOUND_SEED, exact, noise, taken


def run(name, cycles, *, skip=0, seed=5, faults=()):
    machine = Machine.load(name, seed=seed, faults=faults)
    if skip:
        machine.run(cycles=skip)
    with Observer(machine) as observer:
        machine.run(cycles=cycles)
    return machine, observer.observed


def told(name, captured):
    machine = Machine.load(name, seed=SOUND_SEED)
    found = led(machine, captured)
    faults = diagnose(machine, found)
    return found, faults, "\n".join(report(machine, found, faults))


def with_line(captured, line, rows, level):
    """The same with a line at a level in some rows."""
    one = np.uint64(1) << np.uint64(captured.names.index(line))
    levels = captured.levels.copy()
    levels[rows] = levels[rows] & ~one | (one if level else np.uint64(0))
    return attrs.evolve(captured, levels=levels)


@pytest.mark.parametrize(
    ("name", "skip"),
    [("demo:traps", 0), ("demo:monitor", 52_500), ("demo:banks-test", 0), ("demo:banks-test", 90_001)],
)
def test_no_line_of_a_sound_machine_raises_an_alarm(name, skip):
    machine, seen = run(name, 3000, skip=skip)
    captured, _ = taken(machine, seen, noise(5, start_within=1), 5, lines=("PHI2", *seen.names))
    found = led(Machine.load(name, seed=SOUND_SEED), captured)
    assert found.first is None, found.first
    assert len(found.names) > 28
    assert (found.verdict == Verdict.NOISE).any()


@pytest.mark.parametrize(
    ("fault", "slot", "how", "other"),
    [
        ("slot 5: selected by never", 5, HIGH, ""),
        ("slot 3: selected by always", 3, LOW, ""),
        ("slot 1: selected by 0xxx xxx0 xxxx xxxx", 1, NEEDS_LOW, "A8"),
    ],
)
def test_a_select_that_is_wrong_is_named_by_its_slot(fault, slot, how, other):
    _, seen = run("demo:marlpit", 7000, faults=[fault])
    found, faults, text = told("demo:marlpit", exact(seen))
    assert (faults[0].line, faults[0].slot, faults[0].how, faults[0].other) == (f"{slot}.select", slot, how, other)
    level = seen.level(f"{slot}.select")
    _, sound = run("demo:marlpit", 6990)
    assert found.first.row == int(np.flatnonzero(level[: len(sound)] != sound.level(f"{slot}.select"))[0])
    assert f"The select of {Machine.load('demo:marlpit').cards[slot].title}" in text
    assert "decoder" in text


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_card_that_is_accessed_twice_alone_and_never_selected_is_told(count):
    """Of one access alone the analyser may have misread the select."""
    _, seen = run("demo:marlpit", 9000)
    captured = exact(seen)
    low = np.flatnonzero(~seen.level("5.select"))
    assert len(low) > count
    captured = with_line(captured[: int(low[count])], "5.select", low[:count], True)
    found, _, _ = told("demo:marlpit", captured)
    rows = [one.row for one in found.disagreements]
    assert rows == (low[:count].tolist() if count > 1 else [])


@pytest.mark.parametrize(("fault", "how", "first"), [("IRQ low", LOW, 0), ("IRQ high", HIGH, 70)])
def test_a_line_that_is_held_is_told_with_the_card_that_pulls_it(fault, how, first):
    _, seen = run("demo:traps", 2000, faults=[fault])
    found, faults, text = told("demo:traps", exact(seen))
    assert (faults[0].line, faults[0].how) == ("IRQ", how)
    assert found.first.row == first
    assert found.verdict[found.first.row] == Verdict.WIRE
    assert "Trap card (slot 3)" in text
    assert as_dict(Machine.load("demo:traps"), found, faults)["first"]["signal"] == "IRQ"


def test_an_interrupt_that_the_cpu_does_not_take_and_one_that_nobody_asked_for():
    _, seen = run("demo:monitor", 30_000)
    lets_in = int(np.flatnonzero(seen.level("SYNC") & (exact(seen).data[0] == 0x58))[0])  # CLI
    later = exact(seen)[lets_in - 40 : lets_in + 2000]
    _, faults, text = told("demo:monitor", with_line(later, "IRQ", slice(600, 900), False))
    assert [(each.line, each.how) for each in faults] == [("IRQ", IGNORED)]
    assert "at the CPU's own pin" in text
    _, seen = run("demo:traps", 2000, faults=["IRQ low"])
    held = exact(seen)[500:]
    _, faults, text = told("demo:traps", with_line(held, "IRQ", slice(None), True))
    assert [(each.line, each.how) for each in faults] == [("IRQ", ANSWERED)]


def test_a_cpu_that_goes_on_while_ready_is_low():
    _, seen = run("demo:marlpit", 2000)
    found, faults, text = told("demo:marlpit", with_line(exact(seen), "RDY", slice(1000, 1040), False))
    assert [(each.line, each.how) for each in faults] == [("RDY", IGNORED)]
    assert "RDY is low, and the CPU goes on" in text
    assert 1000 <= found.first.row <= 1002


def test_a_report_says_that_a_captured_line_was_not_tried():
    _, seen = run("demo:marlpit", 2000)
    assert "It does not say whether IRQ and NMI works" not in told("demo:marlpit", exact(seen))[2]
    assert "It does not say whether IRQ and NMI work: " in told("demo:marlpit", exact(seen))[2]
