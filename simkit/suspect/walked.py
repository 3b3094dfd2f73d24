"""A capture of few lines from the middle of a run, held against what the runs of candidates show.

Nobody knows where in a run it was taken. What counts is how it goes along the long sequences that the runs of a
candidate show (`long_sequences.py`): which bits noise must have made wrong, and at how many places no run goes on as
the capture does. How many of these it may have is what runs of the candidate have of one another, each held against the
others (`trails.py`). All of it is put on one scale, the logarithm of how seldom a candidate does so, as in `begun.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import attrs

from simkit.suspect.chance import is_more_than_chance, is_more_than_noise
from simkit.suspect.long_sequences import LongSequences, Walk
from simkit.suspect.steadiness import MOST, WRONG_BITS
from simkit.suspect.trails import HELD_OUT, STRAY, Trails

WRONG = -math.log(WRONG_BITS / 8)
"""What a wrong bit costs: one of eight lines, in one cycle of a hundred."""
ASTRAY = 0.5
"""What another sequence costs that no run shows, behind a place at which none goes on as the capture does. Ours."""
HIDDEN = 0.08
"""What each cycle costs of which nothing is known: noise is in one of a hundred."""
CHEAPEST = 2.0
"""What such a place costs at least, where runs of a class are hardly like one another. Ours."""
LEEWAY = 8.0
"""How far behind the best one a class may be by chance: one wrong bit, or one of a thousand candidates that is in luck,
log(1000). Ours."""
BY_CHANCE = 4.0
"""And by how many costs of a place for each standard deviation of their number. Ours."""
BY_NOISE = 0.5
"""Places that noise makes: where two bits are wrong in one stretch. Ours."""
FAR_BEHIND = 60.0
"""Of who is so far behind nothing more is asked. Ours."""
MOST_SEQUENCES = 64_000
"""Sequences times lines, of longer captures short sequences must tell. Ours."""
MOST_LINES = 16
"""Of more lines short sequences tell enough. Ours."""


@attrs.frozen(eq=False)
class Walked:
    """How a capture goes along what candidates show.

    Attributes:
        cost: by name of the class what speaks against it: the logarithm of how seldom it does so, but for a constant.
        leeway: by name how far behind the best one it may be by chance.
        walks: by name; of those that are not far behind.
        misfits: those with which it goes otherwise, more often than noise and other power-ups make it.
        sequences: that are known of the capture.
    """

    cost: dict[str, float]
    leeway: dict[str, float]
    walks: dict[str, Walk]
    misfits: frozenset[str]
    sequences: int

    @property
    def first(self) -> str:
        """The class that it goes along with best."""
        return min(self.cost, key=self.cost.__getitem__)

    @property
    def is_astray(self) -> bool:
        """Whether most of the capture is such as no class shows: then long sequences decide nothing."""
        return self.walks[self.first].rows > MOST * self.sequences

    def behind(self, name: str, best: str) -> float:
        """How far a class is behind another, in units of what chance does."""
        return (self.cost[name] - self.cost[best]) / self.leeway[name]

    def part(self, name: str) -> str:
        """How the capture goes along with what a class shows, in words."""
        walk = self.walks.get(name)
        if walk is None:
            return "its runs do not go as the capture does"
        bits = f"{walk.wrong} wrong bit{'s' * (walk.wrong != 1)}"
        places = f"{walk.places} place{'s' * (walk.places != 1)}"
        return f"its runs go as the capture does, but for {bits} and {places} at which it goes on otherwise"

    def misfit(self, name: str) -> str:
        """What speaks against a class, in words; "" where noise and other power-ups of the same fault do as much."""
        if name in self.walks and name not in self.misfits:
            return ""
        return f"{self.part(name)}, more than noise and other power-ups make"


def walked(long: LongSequences, trails: Trails, names: Sequence[str]) -> Walked:
    """Go along a capture with each of some classes.

    Args:
        long: sequences of the capture.
        trails: of the runs, for the lines that it sees.
        names: of the classes, those that are likely first.
    """
    first = trails.first_of(long.wanted)
    places = trails.place(long, first)
    sound = trails.sound_of_one_another(places)
    count = long.count
    found = Walked({}, {}, {}, frozenset(), count)
    misfits = set()
    least = math.inf
    for name in names:
        trail = trails.of(name)
        shown = trails.shown(trail, long.wanted, first) != 0
        found.leeway[name] = LEEWAY
        found.cost[name] = HIDDEN * long.unshown(shown)
        if found.cost[name] > least + FAR_BEHIND:
            continue
        walk = long.walk(shown)
        found.cost[name] = _cost(walk, CHEAPEST)
        if found.cost[name] > least + FAR_BEHIND:
            continue
        apart = trails.of_one_another(trail)
        if trail.is_sound_up_to([place - HELD_OUT // 2 for place in places]):
            apart += sound
        expected = apart.seldom * count + BY_NOISE
        found.walks[name] = walk
        found.cost[name] = _cost(walk, -math.log(expected / count)) + expected
        found.leeway[name] = LEEWAY + BY_CHANCE * math.sqrt(expected)
        least = min(least, found.cost[name])
        odd = walk.places + walk.astray // STRAY
        if is_more_than_chance(odd, expected + apart.astray_in(count)) or is_more_than_noise(walk.wrong, count):
            misfits.add(name)
    return attrs.evolve(found, misfits=frozenset(misfits))


def _cost(walk: Walk, place: float) -> float:
    """What speaks against a class, where a place at which the capture goes on otherwise costs so much."""
    return WRONG * walk.wrong + place * walk.places + ASTRAY * walk.astray + HIDDEN * walk.rows
