"""The whole: a program is run over many power-ups, and each difference is put down to what it hangs on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import attrs

from simkit.luck.narrow import Piece, mixed, narrowed, pieces
from simkit.luck.parting import Parting, parting
from simkit.luck.sight import NEAR, Difference, Sight, difference, look_at
from simkit.luck.unknown import Maker, PowerUp, Values

MOST_CAUSES = 8
"""That are told; a program that owes more to luck than that shows something else each time."""
USUAL = 32
"""Power-ups, if nobody says how many."""
_AT_END = ("end", "found")


@attrs.frozen
class Cause:
    """One thing that a program owes to luck.

    Attributes:
        power_up: in which it showed first.
        seen: what people see of it.
        hangs_on: what must come up otherwise for that: mostly one piece.
        parts: the first cycle that differs when only that does; None where none was found.
    """

    power_up: PowerUp
    seen: Difference
    hangs_on: tuple[Piece, ...]
    parts: Parting | None


@attrs.frozen
class Luck:
    """What was found.

    Attributes:
        power_ups: how many were run.
        causes: what the program owes to luck, as found.
        more: power-ups that still differ and were not put down to anything, as there were MOST_CAUSES already.
        stopped: whether somebody ended it before its time.
    """

    power_ups: int
    causes: tuple[Cause, ...]
    more: int = 0
    stopped: bool = False


class _StoppedError(Exception):
    """It is no longer wanted."""


class _Look:
    """Runs power-ups and compares them with the usual one.

    Attributes:
        maker: of the machines.
        cycles: that each is run.
        every: cycles between two looks.
        part: of all the work that is done, 0 to 1.
    """

    def __init__(self, maker: Maker, cycles: int, goes_on: Callable[[float], bool]) -> None:
        self.maker = maker
        self.cycles = cycles
        self.part = 0.0
        self._goes_on = goes_on
        self._usual: dict[int, Sight] = {}
        self.every = self._usual_for(cycles).every

    def differs(self, values: Values, cycles: int) -> Difference | None:
        """How a power-up differs from the usual one, in so many cycles."""
        return difference(self._usual_for(cycles), self._seen(values, cycles))

    def _usual_for(self, cycles: int) -> Sight:
        if cycles not in self._usual:
            self._usual[cycles] = self._seen(self.maker.usual.values, cycles)
        return self._usual[cycles]

    def _seen(self, values: Values, cycles: int) -> Sight:
        sight = look_at(self.maker.machine(values), cycles, lambda part: self._goes_on(self.part))
        if sight is None:
            raise _StoppedError
        return sight


def luck(
    maker: Maker, cycles: int, *, power_ups: int = USUAL, goes_on: Callable[[float], bool] = lambda part: True
) -> Luck:
    """Run a program over many power-ups and put each difference down to what it hangs on.

    Args:
        maker: of its machines.
        cycles: to run each.
        power_ups: how many; other parts come besides.
        goes_on: called often with the part that is done, 0 to 1; False ends it, and what is known is given.
    """
    causes: list[Cause] = []
    others = maker.power_ups(max(2, power_ups))[1:]
    number, more = len(others) + 1, 0
    try:
        look = _Look(maker, cycles, goes_on)
        for done, power_up in enumerate(others, start=1):
            look.part = done / number
            known = [piece for cause in causes for piece in cause.hangs_on]
            for cause in _causes(look, power_up, known):
                if len(causes) == MOST_CAUSES:
                    more += 1
                    break
                causes.append(cause)
    except _StoppedError:
        return Luck(number, tuple(causes), more, stopped=True)
    return Luck(number, tuple(causes), more)


def _causes(look: _Look, power_up: PowerUp, known: Sequence[Piece]) -> Iterator[Cause]:
    """What a power-up differs by, one after another; what is known already comes up as usual."""
    usual = look.maker.usual.values
    left = _without(pieces(usual, power_up.values), known)
    while left:
        seen = look.differs(mixed(usual, power_up.values, left), look.cycles)
        if seen is None or (power_up.is_part and seen.what == "found"):
            return
        until = look.cycles
        if seen.what not in _AT_END:
            until = min(until, (seen.look + 2 * NEAR + 2) * look.every)
        differs = partial(_differs, look, power_up, until)
        if not differs(left):  # it shows in the end alone
            differs = partial(_differs, look, power_up, look.cycles)
        hangs_on = narrowed(left, differs)
        other = mixed(usual, power_up.values, hangs_on)
        parts = parting(look.maker.machine(usual), look.maker.machine(other), look.cycles)
        yield Cause(power_up, seen, tuple(hangs_on), parts)
        left = _without(left, hangs_on)


def _differs(look: _Look, power_up: PowerUp, until: int, some: Sequence[Piece]) -> bool:
    return look.differs(mixed(look.maker.usual.values, power_up.values, some), until) is not None


def _without(some: Sequence[Piece], known: Sequence[Piece]) -> list[Piece]:
    """Pieces without those that are known."""
    bytes_known = {(piece.unknown, place) for piece in known for place in piece.places}
    whole = {piece.unknown for piece in known if not piece.places}
    found = []
    for piece in some:
        if piece.unknown in whole:
            continue
        places = tuple(place for place in piece.places if (piece.unknown, place) not in bytes_known)
        if places or not piece.places:
            found.append(attrs.evolve(piece, places=places))
    return found
