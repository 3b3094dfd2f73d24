"""Captures of few lines beside a run, plans for few channels, and the command."""

import json
from fractions import Fraction

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.capture.channels import read_channels
from simkit.compare import told_free
from simkit.compare.free import _is_there, free
from simkit.compare.guessed import HIGH, LOW
from simkit.compare.lines import diagnose_free
from simkit.compare.plan import _joined, plan_for
from simkit.compare.told_free import as_dict
from simkit.contract.errors import SimkitError
from simkit.measure.compares import played
from simkit.records.observed import observe
from tests.compare.takes import noise, observed, taken

FEW = ("PHI2", *(f"D{n}" for n in range(8)), "RW", "2.select")
KEYBOARD = "demo:keyboard-test"


def looked_up(seed, *, skip, cycles, run, low=None):
    """A capture of few lines in a run; of one line the clip is at ground."""
    machine, seen = observed("demo:marlpit", seed, skip=skip, cycles=cycles)
    captured, _ = taken(machine, seen, noise(seed), seed, lines=FEW)
    if low is not None:
        bit = np.uint64(1) << np.uint64(captured.names.index(low))
        captured = attrs.evolve(captured, levels=captured.levels & ~bit)
    return in_run(captured, run)


def in_run(captured, cycles):
    machine = Machine.load("demo:marlpit", seed=71)
    return free(machine, [Machine.load("demo:marlpit", seed=72)], captured, lambda: machine.run(cycles=cycles))


def planned(name, cycles, channels, slot=None, **options):
    machine = Machine.load(name, **options)
    return plan_for(machine, lambda: machine.run(cycles=cycles), channels, slot)


@pytest.mark.parametrize("seed", range(3))
def test_few_lines_of_a_sound_machine_are_found_in_a_run_and_raise_no_alarm(seed):
    found = looked_up(seed, skip=9_000 * seed, cycles=3000, run=40_000)
    assert found.placed.mean() > 0.9
    assert diagnose_free(found) == []
    assert all((found.share(line) or 1) > 0.9 for line in found.names)


@pytest.mark.parametrize("line", ["D3", "D6"])
def test_a_line_that_is_low_is_told_by_few_lines(line):
    found = looked_up(5, skip=3000, cycles=4000, run=30_000, low=line)
    first = diagnose_free(found)[0]
    assert (first.line, first.how, first.slot) == (line, LOW, 2)
    told = as_dict(Machine.load("demo:marlpit"), found, [first])
    row = int(np.flatnonzero(found.place == told["first"]["cycle"])[0])
    bit = np.uint64(1) << np.uint64(found.names.index(line))
    should = (found.levels & found.known & found.seen_known & bit != 0) & (found.slot == 2)
    assert row == np.flatnonzero(should)[0]  # the very first in which it should have been high
    assert told["agree"] + int(found.differ.sum()) == told["found"]


def test_a_select_that_never_comes_is_told_by_few_lines_with_the_address_lines_to_clip_next():
    real = Machine.load("demo:marlpit", seed=5, faults=["slot 5: selected by never"])
    few = ("PHI2", "D0", "D1", "D2", "D3", "RW", "A0", "5.select")
    seen = observe(real, 12_000, few[1:])
    captured, _ = taken(real, seen, noise(5), 5, lines=few)
    found = in_run(captured, 14_000)
    faults = diagnose_free(found)
    assert [(each.line, each.how) for each in faults] == [("5.select", HIGH)]
    text = "\n".join(told_free.report(Machine.load("demo:marlpit"), found, faults))
    assert "The select of Video card (slot 5): always high" in text
    assert "clip the address lines that its decoder hears: A15, A14" in text


def test_what_stands_still_is_placed_nowhere():
    """Lines that agree by standing still say nothing of a place, and what differs in it is no fault."""
    rows, words = 256, np.random.default_rng(3).integers(0, 4, 256).astype(np.uint64)
    run = words | np.uint64(0b1100)  # two lines move, two stand
    known = np.full(rows, 0b1111, np.uint64)
    assert _is_there(run, run, known, 0, rows, 0, 4)
    assert not _is_there(run, run & np.uint64(0b1100), known, 0, rows, 0, 4)
    assert not _is_there(run, run ^ np.uint64(0b1110), known, 0, rows, 0, 4)


def test_what_is_nowhere_in_the_run_is_placed_nowhere():
    machine, seen = observed("demo:monitor", 5, cycles=3000)
    captured, _ = taken(machine, seen, noise(5), 5, lines=FEW)
    found = in_run(captured, 20_000)
    assert found.placed.mean() < 0.2
    assert diagnose_free(found) == []


def test_a_capture_without_a_line_of_the_machine_is_refused():
    machine, seen = observed("demo:marlpit", 1, cycles=500)
    captured, _ = taken(machine, seen, noise(1), 1, lines=("PHI2", "D0"))
    strange = attrs.evolve(captured, names=("nobody",))
    with pytest.raises(SimkitError, match="is a line of this machine"):
        in_run(strange, 1000)


def test_a_plan_never_clips_what_tells_nothing_and_its_file_reads_back(tmp_path):
    plan = planned("demo:marlpit", 20_000, 8)
    assert plan.lines[0] == "PHI2"
    assert len(plan.lines) == 8
    assert all(gain > 0 for gain in plan.gains[1:])
    assert list(plan.gains[1:]) == sorted(plan.gains[1:], reverse=True)
    assert plan.rate_hz >= 10 * 2_000_000
    (tmp_path / "c.toml").write_text(plan.toml())
    assert [each.line for each in read_channels(tmp_path / "c.toml").assigned] == list(plan.lines)


def test_the_gain_of_a_plan_is_the_entropy_of_its_lines():
    """Shannon, A Mathematical Theory of Communication, 1948, section 6: H = - sum p log2 p."""
    plan = planned("demo:marlpit", 5_000, 4)
    seen = observe(Machine.load("demo:marlpit"), 5_000)
    words = sum(seen.level(line).astype(int) << bit for bit, line in enumerate(plan.lines[1:]))
    share = np.bincount(words) / len(words)
    share = share[share > 0]
    assert sum(plan.gains) == pytest.approx(-(share * np.log2(share)).sum())


def test_patterns_of_several_lines_are_numbered_as_if_they_were_put_in_order():
    random = np.random.default_rng(4)
    pattern, words = np.zeros(3_000, np.int64), np.zeros(3_000, np.int64)
    for _ in range(12):
        level = random.random(3_000) < random.random()
        pattern, words = _joined(pattern, level), words * 2 + level
        assert (pattern == np.unique(words, return_inverse=True)[1]).all()


def test_a_plan_for_a_card_begins_with_its_select_and_triggers_on_it():
    plan = planned("demo:pad-test", 60_000, 8, 4)
    assert plan.lines[:2] == ("PHI2", "4.select")
    assert "select of" in plan.trigger
    with pytest.raises(SimkitError, match="never reaches the card in slot 3"):
        planned("demo:pad-test", 100, 8, 3)
    with pytest.raises(SimkitError, match="no card in slot 9"):
        planned("demo:pad-test", 100, 8, 9)


def test_the_command_tells_a_sound_capture_from_a_faulted_one(simkit, tmp_path):
    noisy = ("--for", "2ms", "--errors", "1%", "--lost", "1%", "--clock-error", "0.5%", "--jitter", "2ns")
    assert simkit("rehearse", KEYBOARD, *noisy, "--out", "sound.vcd")[0] == 0
    code, out, _ = simkit("compare", KEYBOARD, "sound.vcd")
    assert (code, "No disagreement" in out) == (0, True), out
    assert simkit("rehearse", KEYBOARD, *noisy, "--wire", "slot 2: D3 stuck low", "--out", "bad.csv")[0] == 0
    code, out, _ = simkit("compare", KEYBOARD, "bad.csv", "--json", "--svg", "parted.svg")
    told = json.loads(out)
    assert (code, told["lines"][0]["line"], told["lines"][0]["how"]) == (1, "D3", "always low")
    assert "captured" in (tmp_path / "parted.svg").read_text()
    assert simkit("compare", KEYBOARD, "bad.csv", "--svg", "parted.svg")[0] == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((KEYBOARD,), "Which capture is it?"),
        ((KEYBOARD, "nowhere.vcd"), "There is no capture nowhere.vcd."),
        ((KEYBOARD, "--plan", "--channels", "many"), "'many' is no number of channels."),
        ((KEYBOARD, "--plan", "--channels", "1", "--for", "1ms"), "One channel is PHI2"),
        ((KEYBOARD, "x.vcd", "--out", "c.toml"), "--out is for a plan."),
        ((KEYBOARD, "x.vcd", "--slot", "4"), "--slot is for a plan."),
        ((KEYBOARD, "x.vcd", "--plan"), "A plan has no use for CAPTURE."),
        ((KEYBOARD, "--plan", "--svg", "a.svg"), "A plan has no use for --svg."),
        ((KEYBOARD, "--plan", "--free"), "A plan has no use for --free."),
    ],
)
def test_wrong_use_gets_one_clear_message(simkit, words, message):
    code, _, err = simkit("compare", *words)
    assert code == 2
    assert message in err
    assert "Traceback" not in err


def test_a_plan_is_written_and_never_over_another_file(simkit, tmp_path):
    plan = ("compare", "demo:pad-test", "--plan", "--channels", "6", "--for", "40ms", "--out", "c.toml")
    assert simkit(*plan)[0] == 0
    assert simkit(*plan)[0] == 0
    (tmp_path / "c.toml").write_text("mine")
    assert simkit(*plan)[0] == 2
    assert (tmp_path / "c.toml").read_text() == "mine"


def test_rates_are_ten_samples_a_cycle():
    assert planned("demo:marlpit", 2000, 3, clock="4 MHz").rate_hz == 48_000_000
    assert Fraction(48) >= 10 * 4


@pytest.mark.parametrize(("name", "seed", "skip"), [("demo:pad-test", 10226, 25_982), ("demo:monitor", 10238, 79_399)])
def test_what_memory_holds_by_chance_or_by_input_from_outside_is_no_fault_of_a_line(name, seed, skip):
    """Cells that nobody has written yet, and those that count what came; there it came at other times."""
    real = Machine.load(name, seed=seed)
    played(real, seed, skip + 3000)
    real.run(cycles=skip)
    captured, _ = taken(real, observe(real, 3000), noise(seed), seed, lines=FEW)
    machines = [Machine.load(name, seed=of) for of in (71, 72, 73)]
    for machine in machines:
        played(machine, seed + 500, 120_000)
    found = free(machines[0], machines[1:], captured, lambda: machines[0].run(cycles=120_000))
    assert found.placed.mean() > 0.5
    assert diagnose_free(found) == []
