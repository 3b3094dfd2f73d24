"""Captures of few lines from the middle of a run, walked along what runs of candidates show."""

import zlib

import numpy as np
import pytest

from simkit.suspect.grams import changed, grams, numbers
from simkit.suspect.library import Stock
from simkit.suspect.long_sequences import LENGTH, LongSequences
from simkit.suspect.outcome import Outcome, Stretch
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.trails import Trails
from simkit.suspect.walked import walked

LINES = list(range(8))
MASK = 0xFF
POWER_UPS = 4
ROUNDS = 60
PARTS = 30
"""Cycle at which candidates part from the machine without a fault."""


def paths(random):
    """Ways of a program: a list of levels each, between which it goes on as chance has it."""
    return [random.integers(0, 256, int(random.integers(25, 60))).astype(np.uint64) for _ in range(6)]


def played(ways, random, rounds=ROUNDS):
    """A run along ways, in an order that chance makes."""
    order = random.integers(0, len(ways), rounds).tolist()
    return np.concatenate([ways[0], ways[1], *(ways[way] for way in order)])


def spoilt(levels, random, part=0.01):
    """A capture with wrong bits."""
    wrong = random.random(len(levels)) < part
    bits = np.uint64(1) << random.integers(0, 8, len(levels)).astype(np.uint64)
    return levels ^ np.where(wrong, bits, np.uint64(0))


def stretch(levels, since):
    packed = levels.astype("<u8").view(np.uint8).reshape(-1, 8).T
    return Stretch(since, len(levels), zlib.compress(np.ascontiguousarray(packed).tobytes(), 1), ())


def outcome(parted, *stretches):
    return Outcome(parted, stretches, (), 1_000_000, "", False, 0, {})


class World:
    """A program, and candidates each of which has two ways otherwise in some cycles."""

    def __init__(self, seed):
        self.random = np.random.default_rng(seed)
        self.ways = paths(self.random)
        self.faults = {SOUND: self.ways}
        for number in range(5):
            ways = [way.copy() for way in self.ways]
            for way in (ways[number], ways[number + 1]):
                at = int(self.random.integers(0, len(way) - 3))
                way[at : at + 3] ^= self.random.integers(1, 256, 3).astype(np.uint64)
            self.faults[f"fault {number}"] = ways
        sound = [played(self.ways, self.random, 4 * ROUNDS) for _ in range(POWER_UPS)]
        runs = {SOUND: tuple(outcome(None, stretch(levels, 0)) for levels in sound)}
        for name, ways in self.faults.items():
            if name:
                own = [played(ways, self.random, 4 * ROUNDS) for _ in range(POWER_UPS)]
                runs[name] = tuple(outcome(PARTS, stretch(levels, PARTS)) for levels in own)
        names = tuple(f"D{line}" for line in LINES)
        self.outcomes = Outcomes("", names, {name: () for name in runs if name}, runs, (), {}, len(runs))
        self.trails = Trails(Stock(self.outcomes, 5), MASK)

    def capture(self, ways, rounds=ROUNDS):
        """Another run along some ways, with noise and missing rows."""
        levels = spoilt(played(ways, self.random, rounds), self.random)
        lost = np.zeros(len(levels), bool)
        gone = int(self.random.integers(200, 800))
        lost[gone] = True
        levels = np.delete(levels, slice(gone, gone + 3))
        return LongSequences(levels, np.ones(len(levels), bool), np.delete(lost, slice(gone + 1, gone + 4)), LINES)

    def near(self, long):
        """Candidates that are among the first, and how the capture goes along with each."""
        found = walked(long, self.trails, list(self.faults))
        return [name for name in self.faults if found.behind(name, found.first) <= 1.0], found


@pytest.fixture(scope="module", params=range(3))
def built(request):
    return World(request.param)


@pytest.fixture
def world(built, request):
    """One and the same in each test, whichever tests came before it."""
    built.random = np.random.default_rng([*request.node.originalname.encode()])
    return built


def test_the_true_candidate_alone_is_near_and_noise_and_missing_rows_are_no_places(world):
    for name in world.faults:
        near, found = world.near(world.capture(world.faults[name]))
        assert near == [name]
        assert not found.misfit(name)
        assert found.walks[name].wrong > 5


def test_of_a_capture_that_goes_where_no_candidate_goes_none_is_believed(world):
    elsewhere = [way.copy() for way in world.ways]
    for way in elsewhere[2:]:  # in each of these ways two cycles are otherwise, in two lines
        way[7:9] ^= np.uint64(0x21)
    near, found = world.near(world.capture(elsewhere))
    assert near
    assert all(found.misfit(name) for name in near)


def test_a_capture_that_hardly_any_run_shows_is_not_decided_by_long_sequences(world):
    noise = [way ^ world.random.integers(0, 256, len(way)).astype(np.uint64) for way in world.ways]
    assert world.near(world.capture(noise))[1].is_astray
    assert not world.near(world.capture(world.ways))[1].is_astray


def test_a_loop_that_none_shows_counts_once_and_the_noise_that_may_hide_in_it_is_charged(world):
    loop = world.random.integers(0, 256, 23).astype(np.uint64)
    short, long = (world.capture([*world.ways[:2], loop], rounds) for rounds in (30, 90))
    one, many = (world.near(each)[1].walks[SOUND] for each in (short, long))
    assert many.rows > 2 * one.rows
    assert many.places < 2 * one.places + 5


def test_the_same_wrong_bit_in_each_round_of_a_loop_is_no_noise():
    loop = np.arange(40, dtype=np.uint64)
    other = loop.copy()
    other[11] ^= np.uint64(0x80)
    row = np.tile(loop, 20)
    seen = np.concatenate((row[:120], np.tile(other, 10), row[:120]))
    long = LongSequences(seen, np.ones(len(seen), bool), np.zeros(len(seen), bool), LINES)
    walk = long.walk(np.isin(long.wanted.ordered, grams(row, MASK, LENGTH)))
    assert (walk.wrong, walk.places) == (0, 1)
    seen = row.copy()
    seen[[100, 305, 498, 509]] ^= np.array([1, 8, 64, 2], np.uint64)  # the last two in one stretch
    long = LongSequences(seen, np.ones(len(seen), bool), np.zeros(len(seen), bool), LINES)
    walk = long.walk(np.isin(long.wanted.ordered, grams(row, MASK, LENGTH)))
    assert (walk.wrong, walk.places) == (4, 0)


def test_a_run_that_is_back_where_a_sound_one_is_may_go_on_so_when_nothing_of_it_is_kept(world):
    runs = dict(world.outcomes.runs)
    sound = [run.stretches[0].levels for run in runs[SOUND]]
    runs["back"] = tuple(outcome(PARTS, stretch(levels[PARTS : PARTS + 3000], PARTS)) for levels in sound)
    runs["away"] = tuple(
        outcome(PARTS, stretch(world.random.integers(0, 256, 3000).astype(np.uint64), PARTS)) for _ in sound
    )
    names = tuple(name for name in runs if name)
    outcomes = Outcomes("", world.outcomes.names, dict.fromkeys(names, ()), runs, (), {}, len(runs))
    trails = Trails(Stock(outcomes, 5), MASK)
    assert trails.of("back").back == (PARTS + 3000,) * POWER_UPS
    assert trails.of("away").back == (None,) * POWER_UPS


@pytest.mark.parametrize("length", [1, 2, 5, 7, 20])
def test_numbers_of_sequences_are_those_of_each_window_and_follow_a_changed_bit(length):
    random = np.random.default_rng(length)
    levels = random.integers(0, 2**40, 60, np.uint64)
    mask = 0xFF_00FF
    windows = np.lib.stride_tricks.sliding_window_view(levels & np.uint64(mask), length)
    assert (grams(levels, mask, length) == numbers(windows)).all()
    found = changed(levels, mask, length, [3, 17])
    for number, line in enumerate((3, 17)):
        for back in range(length):
            wrong = windows.copy()
            wrong[:, length - 1 - back] ^= np.uint64(1 << line)
            assert (found[number, back] == numbers(wrong)).all()
