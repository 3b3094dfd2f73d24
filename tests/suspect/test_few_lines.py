"""Captures of few lines, held against made-up runs of candidates: who is believed, and when nobody is."""

import zlib

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.suspect.library import NEVER, Library, Stock
from simkit.suspect.outcome import Outcome, Stretch
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.rank import rank
from simkit.suspect.seen import SeenCapture

NAMES = tuple(f"D{line}" for line in range(8))
MASK = 0xFF
LENGTH = 5
POWER_UPS = 4
PARTS = 30
"""Cycle at which candidates part from the machine without a fault."""
KEPT = 3000
"""Cycles that are kept behind it."""
ASTRAY = ("astray 0", "astray 1", "astray 2")


def paths(random, count=6):
    """Ways of a program: a list of levels each, between which it goes on as chance has it."""
    return [random.integers(0, 256, int(random.integers(25, 60))).astype(np.uint64) for _ in range(count)]


def played(ways, random, rounds):
    """A run along ways, in an order that chance makes."""
    order = random.integers(0, len(ways), rounds).tolist()
    return np.concatenate([ways[0], ways[1], *(ways[way] for way in order)])


def noise(random, count):
    return random.integers(0, 256, count).astype(np.uint64)


def captured(levels, random):
    """A capture with one wrong bit in a hundred cycles, and missing rows."""
    wrong = random.random(len(levels)) < 0.01
    levels = levels ^ np.where(
        wrong, np.uint64(1) << random.integers(0, 8, len(levels)).astype(np.uint64), np.uint64(0)
    )
    lost = np.zeros(len(levels), bool)
    gone = int(random.integers(200, 800))
    lost[gone + 3] = True
    kept = np.delete(np.arange(len(levels)), slice(gone, gone + 3))
    known = np.full(len(kept), MASK, np.uint64)
    return SeenCapture(Captured(NAMES, levels[kept], known, kept.astype(np.float64), lost[kept]))


def outcome(parted, since, levels):
    planes = np.ascontiguousarray(levels.astype("<u8").view(np.uint8).reshape(-1, 8).T)
    stretch = Stretch(since, len(levels), zlib.compress(planes.tobytes(), 1), ())
    return Outcome(parted, (stretch,), (), 1_000_000, "", False, 0, {})


def outcomes_of(runs):
    return Outcomes("", NAMES, {name: () for name in runs if name}, runs, (), {}, len(runs))


class World:
    """A program, and candidates: some go two of its ways otherwise, some astray at once, some are soon as it is,
    one goes ways of its own late, and one runs astray and shows much of these by chance.
    """

    def __init__(self, seed):
        self.random = random = np.random.default_rng(seed)
        self.ways, self.late = paths(random), paths(random)
        early = [played(self.ways, random, 120)[:KEPT] for _ in range(POWER_UPS)]
        sound = [np.concatenate((one, played(self.ways + self.late, random, 200))) for one in early]
        self.runs = {SOUND: tuple(outcome(None, 0, levels) for levels in sound)}
        self.otherwise = {}
        for number in range(4):
            ways = [way.copy() for way in self.ways]
            for way in (ways[number], ways[number + 1]):
                at = int(random.integers(0, len(way) - 3))
                way[at : at + 3] ^= random.integers(1, 256, 3).astype(np.uint64)
            self.otherwise[f"otherwise {number}"] = ways
            own = [played(ways, random, 240) for _ in range(POWER_UPS)]
            self.runs[f"otherwise {number}"] = tuple(outcome(PARTS, PARTS, levels) for levels in own)
        for name in ASTRAY:
            self.runs[name] = tuple(outcome(0, 0, noise(random, KEPT)) for _ in range(POWER_UPS))
        again = [levels[PARTS : PARTS + KEPT].copy() for levels in sound]
        for levels in again:
            levels[:20] ^= np.uint64(0x81)
        self.runs["back"] = tuple(outcome(PARTS, PARTS, levels) for levels in again)
        self.another = paths(random)
        self.runs["late"] = tuple(outcome(KEPT, KEPT, played(self.another, random, 120)) for _ in range(POWER_UPS))
        luck = [noise(random, KEPT) for _ in range(POWER_UPS)]
        for levels in luck[1:]:
            self.strew(levels, 6)
        self.runs["in luck"] = tuple(outcome(0, 0, levels) for levels in luck)
        self.outcomes = outcomes_of(self.runs)
        self.library = Library(self.outcomes)

    def strew(self, levels, last):
        """Put a little of what one candidate does late into noise, the fewest cycles of the last way of it."""
        for begin in range(40, len(levels) - 60, 60):
            way = begin // 60 % len(self.another)
            cycles = last if way == len(self.another) - 1 else 9
            levels[begin : begin + cycles] = self.another[way][:cycles]

    def rank(self, levels):
        return rank(self.outcomes, [captured(levels, self.random)], library=self.library)


@pytest.fixture(scope="module", params=range(3))
def world(request):
    return World(request.param)


def test_the_true_candidate_is_believed_and_those_that_go_otherwise_are_not(world):
    for name, ways in world.otherwise.items():
        found = world.rank(played(ways, world.random, 60))
        assert not found.none
        assert name in found.first
        assert not {*found.first} & ({*world.otherwise} - {name})


def test_of_a_capture_that_goes_where_no_candidate_goes_none_is_believed():
    world = World(7)
    orderly = {name: runs for name, runs in world.runs.items() if name not in ASTRAY}
    elsewhere = [way.copy() for way in world.ways]
    for way in elsewhere:
        way[7:12] ^= np.uint64(0x21)
    seen = captured(np.concatenate((world.ways[2], played(elsewhere, world.random, 60))), world.random)
    found = rank(outcomes_of(orderly), [seen])
    assert found.none
    assert "noise" in found.misfit


def test_where_the_cpu_runs_astray_at_once_all_who_do_so_are_named_though_others_share_more_by_chance(world):
    levels = noise(world.random, 2000)
    world.strew(levels, 9)
    found = world.rank(levels)
    assert not found.none
    assert {*found.first} == {*ASTRAY, "in luck"}


def test_a_run_that_is_back_where_a_sound_one_is_may_go_on_so_when_nothing_of_it_is_kept(world):
    stock = Stock(world.outcomes, LENGTH)
    assert stock.back("back") == (PARTS + KEPT,) * POWER_UPS
    assert stock.back("astray 0") == (NEVER,) * POWER_UPS
    assert stock.back(SOUND) == (NEVER,) * POWER_UPS
    found = world.rank(played(world.late, world.random, 60))
    assert {SOUND, "back"} <= {*found.first}
    assert not {*found.first} & {*ASTRAY, *world.otherwise, "late"}
