"""Captures of a run, with all that a real analyser does to it, read back to the cycles of the run."""

from fractions import Fraction

import attrs
import numpy as np
import pytest

from simkit.capture.read import read_capture
from simkit.capture.rehearse import Analyser, rehearse
from simkit.capture.write import write_capture
from simkit.machine.machine import Machine
from simkit.records.observed import observe

QUIET = {
    "quiet": {},
    "jitter": {"jitter": 4e-9},
    "dropped": {"dropped": 0.01},
    "pulses": {"pulses": 0.3, "clock_pulses": 0.1},
}
ALL = {"jitter": 3e-9, "dropped": 0.01, "clock_error": 0.005, "pulses": 0.1, "clock_pulses": 0.02, "dropped_runs": 1e-3}


@pytest.fixture(scope="module")
def run():
    machine = Machine.load("demo:keyboard-test")
    machine.run(cycles=20_000)
    return observe(machine, 2_000), machine.description.clock_hz


def read_back(run, folder, form, rate, analyser, seed):
    """What is read; of each row the cycle it is of, by its time; its true levels."""
    observed, clock_hz = run
    names = ["PHI2", *observed.names]
    noise = Analyser(rate_hz=Fraction(rate), start_within=500, **analyser)
    taken = rehearse(observed, clock_hz, names, noise, seed=seed)
    path = folder / "capture"
    write_capture(path, taken.samples, form, force=True)
    captured = read_capture(path, clock_hz=clock_hz)
    cycle = np.rint((taken.began + captured.time) / taken.period).astype(int) - 1
    true = attrs.evolve(captured, levels=observed.levels[cycle], known=np.full(len(cycle), 2**64 - 1, np.uint64))
    true = attrs.evolve(true, names=observed.names).gathered(captured.names)[0]
    return captured, cycle, (captured.levels ^ true) & captured.known, len(observed) - taken.first


@pytest.mark.parametrize("form", ["vcd", "csv-times"])
@pytest.mark.parametrize("noise", QUIET)
@pytest.mark.parametrize("rate", [10_000_000, 24_000_000])
def test_every_cycle_is_found_and_no_level_is_wrong(run, tmp_path, form, noise, rate):
    """At five samples a cycle and at twelve."""
    captured, cycle, wrong, count = read_back(run, tmp_path, form, rate, QUIET[noise], seed=rate)
    assert len(captured) >= count - 4
    assert not wrong.any()
    assert not (np.diff(cycle) != 1)[~captured.lost[1:]].any()
    assert captured.lost.sum() <= 3
    assert np.bitwise_count(captured.known).sum() > 0.97 * len(captured) * len(captured.names)


@pytest.mark.parametrize("form", ["vcd", "csv-times", "csv-changes"])
def test_where_samples_are_missing_in_runs_each_lost_cycle_is_told(run, tmp_path, form):
    for seed in range(3):
        captured, cycle, wrong, _ = read_back(run, tmp_path, form, 24_000_000, ALL, seed)
        missing = np.diff(cycle) != 1
        assert missing.sum() > 5
        assert not missing[~captured.lost[1:]].any()
        assert (captured.lost[1:] & ~missing).sum() <= 6
        assert np.count_nonzero(wrong) <= 1


@pytest.mark.parametrize("form", ["csv", "numbered"])
def test_where_time_stamps_do_not_tell_the_cycles_between_losses_are_those_of_the_run(run, tmp_path, form):
    """Rows that are not lost follow each other in the run as well."""
    observed, clock_hz = run
    names = ["PHI2", *observed.names]
    noise = Analyser(rate_hz=Fraction(24_000_000), dropped_runs=8e-4, run_samples=100, gaps_shown=False)
    taken = rehearse(observed, clock_hz, names, noise, seed=5)
    path = tmp_path / "capture"
    write_capture(path, taken.samples, form)
    channels = tmp_path / "channels.toml"
    numbers = [f'"{at if form == "numbered" else name}" = "{name}"\n' for at, name in enumerate(names)]
    channels.write_text("[channels]\n" + "".join(numbers))
    captured = read_capture(path, channels, clock_hz=clock_hz)
    order = [captured.names.index(name) for name in observed.names]
    assert order == list(range(len(order)))
    at, jumps, told = -1, 0, 0
    for row in range(len(captured)):
        fits = (observed.levels[at + 1 :] ^ captured.levels[row]) & captured.known[row] == 0
        step = int(np.argmax(fits)) + 1
        assert fits.any()
        jumps += step > 1
        told += step > 1 and bool(captured.lost[row])
        at += step
    assert jumps >= 8
    assert told >= 0.6 * jumps, "only a run that is a whole number of cycles, but for a sample or two, leaves no trace"
