"""Bus cycles are found in samples at any rate, and what is not sure is unknown, never guessed."""

from fractions import Fraction

import attrs
import numpy as np
import pytest

from simkit.capture.channels import Reading
from simkit.capture.cycles import bus_cycles
from simkit.contract.errors import SimkitError
from tests.capture.bench import ASSIGNED, HIDDEN, LINES, as_samples, by_chance, sampled


def read(samples, notes=None, reading=None, **more):
    return bus_cycles(samples, ASSIGNED, reading or Reading(), file="a", notes=[] if notes is None else notes, **more)


def agrees(captured, cycles, first=0):
    """Whether each row is the cycle of its number, in what of it is known."""
    words = cycles[first : first + len(captured)]
    return bool(((captured.levels ^ words) & captured.known == 0).all())


@pytest.mark.parametrize("rate", [4.0, 4.02, 5.3, 8.04, 13.7, 24.0])
@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_cycles_are_found_at_any_rate_from_four_samples_on(rate, jitter):
    cycles = by_chance(1, 3000)
    captured = read(as_samples(*sampled(cycles, rate, seed=int(rate * 10), jitter=jitter, data_valid=0.55)))
    assert captured.names == LINES[1:]
    assert len(captured) >= 2998
    assert agrees(captured, cycles)
    assert not captured.lost.any()
    share = np.bitwise_count(captured.known).sum() / (len(captured) * (len(LINES) - 1))
    assert share > (0.95 if rate > 10 else 0.8)
    assert np.allclose(np.diff(captured.time), rate / 8e6, atol=3 / 8e6)


def test_an_inverted_clock_and_another_edge_are_read_by_the_channel_file():
    cycles = by_chance(2, 100)
    time, levels = sampled(cycles, 8.0)
    upside_down = as_samples(time, levels ^ np.uint64(1))
    assigned = [attrs.evolve(ASSIGNED[0], inverted=True), *ASSIGNED[1:]]
    captured = bus_cycles(upside_down, assigned, Reading(), file="a", notes=[])
    assert agrees(captured, cycles)


def test_glitches_of_one_sample_make_no_cycle_and_no_wrong_level():
    """On PHI2 they are taken away; on a line they lose a vote, or the line is unknown in that cycle."""
    cycles = by_chance(3, 2000)
    time, levels = sampled(cycles, 12.0, seed=3)
    rng = np.random.default_rng(3)
    where = rng.choice(len(levels), 1500, replace=False)
    where = np.sort(where)
    where = where[np.diff(where, prepend=-9) > 1]
    bit = rng.integers(0, len(LINES), len(where)).astype(np.uint64)
    levels[where] ^= np.uint64(1) << bit
    notes = []
    captured = read(as_samples(time, levels), notes)
    assert len(captured) >= 1998
    assert any("too short to be cycles" in note for note in notes)
    wrong = (captured.levels ^ cycles[: len(captured)]) & captured.known
    assert np.bitwise_count(wrong).sum() == 0


def test_a_gap_shorter_than_half_a_cycle_loses_none():
    cycles = by_chance(4, 2000)
    time, levels = sampled(cycles, 12.0, seed=4, data_valid=0.6)
    keep = np.random.default_rng(4).random(len(time)) > 0.01
    unknown = np.where(keep, np.uint64(0), HIDDEN)
    captured = read(as_samples(time, levels, unknown))
    assert len(captured) >= 1998
    assert agrees(captured, cycles)
    assert not captured.lost.any()


def test_a_long_gap_is_lost_with_about_as_many_cycles_as_are_missing():
    cycles = by_chance(5, 1000)
    time, levels = sampled(cycles, 8.0, seed=5)
    unknown = np.where((time >= 1000) & (time < 1000 + 50 * 8), HIDDEN, np.uint64(0))
    notes = []
    captured = read(as_samples(time, levels, unknown), notes)
    (at,) = np.flatnonzero(captured.lost)
    missing = 999 - len(captured)
    assert 49 <= missing <= 51
    assert agrees(captured[:at], cycles)
    assert agrees(captured[at:], cycles, at + missing) or agrees(captured[at:], cycles, at + missing + 1)
    assert any("Samples are missing in 1 place, about" in note for note in notes)


def test_samples_dropped_without_a_trace_are_noticed_by_a_short_cycle():
    cycles = by_chance(6, 1000)
    time, levels = sampled(cycles, 8.0, seed=6)
    keep = np.ones(len(time), np.bool_)
    keep[4000:4012] = False  # a cycle and a half
    captured = read(as_samples(time[: keep.sum()], levels[keep]))
    (at,) = np.flatnonzero(captured.lost)
    assert abs(at - 500) <= 1


def test_a_held_clock_is_one_cycle_where_all_samples_were_taken_and_lost_where_that_is_not_known():
    cycles = by_chance(7, 400)
    time, levels = sampled(cycles, 8.0, seed=7)
    held = np.flatnonzero(levels[:-1] & 1 > levels[1:] & 1)[200]  # the last sample before a fall
    levels = np.insert(levels, held, np.repeat(levels[held], 16))
    time = np.arange(len(levels))
    assert not read(as_samples(time, levels)).lost.any()
    sparse = as_samples(time, levels, complete=False)
    captured = read(sparse)
    assert np.flatnonzero(captured.lost).tolist() == [200]
    assert agrees(captured[:200], cycles)
    assert agrees(captured[200:], cycles, 201), "the row of the long cycle is left out"
    stretched = read(sparse, reading=Reading(stretched=True))
    assert not stretched.lost.any()
    assert agrees(stretched, cycles)


def test_sampling_that_is_too_slow_is_refused_with_the_rate_that_is_needed():
    slow = as_samples(*sampled(by_chance(8, 2000), 2.4))
    with pytest.raises(SimkitError, match=r"2\.4 samples a bus cycle; 4 are needed") as found:
        read(slow, clock_hz=Fraction(8_000_000) / Fraction("2.4"))
    assert "Sample at 13.33 MHz or faster" in found.value.remedy
    with pytest.raises(SimkitError, match="samples a bus cycle; 4 are needed"):
        read(as_samples(*sampled(by_chance(8, 2000), 2.0)))


def test_a_clock_that_is_not_the_machines_is_told():
    notes = []
    read(as_samples(*sampled(by_chance(8, 200), 8.0)), notes, clock_hz=Fraction(1_500_000))
    assert "PHI2 has 1 MHz in the capture, the machine's clock is 1.5 MHz" in notes[0]


def test_without_phi2_it_is_said_what_to_do():
    samples = as_samples(*sampled(by_chance(8, 20), 8.0))
    with pytest.raises(SimkitError, match="No channel is PHI2") as found:
        bus_cycles(samples, [attrs.evolve(ASSIGNED[0], line="SO"), *ASSIGNED[1:]], Reading(), file="a", notes=[])
    assert "synchronous = true" in found.value.remedy


def test_a_clock_that_stands_still_is_told():
    time, levels = sampled(by_chance(8, 20), 8.0)
    with pytest.raises(SimkitError, match="PHI2 falls never in the capture"):
        read(as_samples(time, levels | np.uint64(1)))


def test_a_synchronous_capture_has_a_cycle_a_sample():
    words = by_chance(9, 50) << np.uint64(1)
    changes = np.concatenate(([True], words[1:] != words[:-1]))
    samples = as_samples(np.arange(50)[changes], words[changes], end=50)
    captured = read(samples, reading=Reading(synchronous=True))
    assert captured.levels.tolist() == (words >> np.uint64(1)).tolist()
    assert captured.time[10] == pytest.approx(10 / 8e6)


def test_an_unknown_level_stays_unknown():
    cycles = by_chance(10, 300)
    time, levels = sampled(cycles, 12.0, seed=10)
    unknown = np.where((time // 12) % 3 == 0, np.uint64(1 << 17), np.uint64(0))  # D0
    captured = read(as_samples(time, levels, unknown))
    known = captured.gathered(["D0"])[1]
    assert 0.5 < known.mean() < 0.8
    assert agrees(captured, cycles)


def test_a_clock_that_is_no_oscillators_loses_nothing_but_at_gaps():
    """Stepped by hand, or from an RC: each cycle has a length of its own."""
    cycles = by_chance(11, 300)
    lengths = np.random.default_rng(11).integers(6, 40, len(cycles))
    number = np.repeat(np.arange(len(cycles)), lengths)
    place = np.arange(len(number)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    levels = cycles[number] << np.uint64(1) | (place >= (lengths // 2)[number]).astype(np.uint64)
    notes = []
    captured = read(as_samples(np.arange(len(levels)), levels), notes)
    assert len(captured) == 299
    assert agrees(captured, cycles)
    assert not captured.lost.any()
    assert notes == ["PHI2 is irregular, so only gaps in the samples count as lost."]
