"""What is told of where the time went."""

from __future__ import annotations

from collections import Counter

import attrs

from simkit.contract.errors import SimkitError
from simkit.rom.places import Place


@attrs.define
class Lengths:
    """How long something took, time and again, in cycles.

    Attributes:
        counts: how often by how long.
    """

    counts: Counter[int] = attrs.field(factory=Counter)

    @property
    def number(self) -> int:
        """How often."""
        return self.counts.total()

    @property
    def least(self) -> int | None:
        """The shortest; None: it never came."""
        return min(self.counts, default=None)

    @property
    def worst(self) -> int | None:
        """The longest; None: it never came."""
        return max(self.counts, default=None)

    @property
    def median(self) -> int | None:
        """The one in the middle, of an even number the lower; None: it never came."""
        left = (self.number + 1) // 2
        for length in sorted(self.counts):
            left -= self.counts[length]
            if left <= 0:
                return length
        return None


@attrs.frozen
class Routine:
    """What JSR calls at an address.

    Attributes:
        place: its first instruction.
        calls: how often it was called.
        own: cycles of its own instructions, from the first one to the end of its RTS; JSR counts to who calls.
        cycles: the same with all that it calls; of a routine that calls itself each cycle once.
        lengths: of the calls that have come back: cycles with all that it calls, without handlers between.
        longest: of them, the most cycles from the first instruction to the end of its RTS, handlers between and all;
            None: none has come back.
    """

    place: Place
    calls: int
    own: int
    cycles: int
    lengths: Lengths
    longest: int | None

    @property
    def name(self) -> str:
        """Its label, or its address."""
        return name_of(self.place)

    @property
    def worst(self) -> int:
        """Most cycles of a call.

        Raises:
            SimkitError: none has come back.
        """
        return _limit(self.lengths, f"No call of {self.name} has come back.")


@attrs.frozen
class Handler:
    """What a vector leads to.

    Attributes:
        cause: "IRQ", "NMI" or "BRK".
        place: its first instruction.
        runs: how often it began.
        cycles: from the first cycle of the interrupt sequence (or of BRK) to the end of its RTI, with all that it
            calls, without handlers between.
        share: of all cycles.
        lengths: of the runs that have come back: the same for each.
    """

    cause: str
    place: Place
    runs: int
    cycles: int
    share: float
    lengths: Lengths

    @property
    def name(self) -> str:
        """Its label, or its address."""
        return name_of(self.place)

    @property
    def worst(self) -> int:
        """Most cycles of a run.

        Raises:
            SimkitError: none has come back.
        """
        return _limit(self.lengths, f"No run of the {self.cause} handler {self.name} has come back.")


@attrs.frozen
class Worst:
    """The request that waited longest.

    Attributes:
        cycle: in which the line went low.
        cycles: from then to the first fetch of the handler.
        place: the instruction under way when the line went low; None: a sequence was.
        kept: what kept it, in words.
    """

    cycle: int
    cycles: int
    place: Place | None
    kept: str


@attrs.frozen
class Latency:
    """How long requests at a line waited.

    Attributes:
        lengths: cycles from the one in which the line goes low to the first fetch of the handler.
        longest: the one that waited longest; None: none was served.
        again: handlers that began while the line had stayed low since an earlier one: when they were asked for is not
            to be seen.
        let_go: requests at IRQ that went away before a handler began: the program asked the card itself.
        merged: edges at NMI that came while the one before still waited: one handler served both.
    """

    lengths: Lengths
    longest: Worst | None
    again: int
    let_go: int
    merged: int

    @property
    def worst(self) -> int:
        """Most cycles.

        Raises:
            SimkitError: no request was served.
        """
        return _limit(self.lengths, "No request at this line was served.")


@attrs.frozen
class Line:
    """A line of the source, or without any an instruction.

    Attributes:
        place: of its first instruction that ran.
        runs: instructions of it that ran.
        cycles: of them.
    """

    place: Place
    runs: int
    cycles: int


@attrs.frozen
class Frames:
    """Frames of a screen.

    Attributes:
        slot: of its card.
        ended: frames that ended.
        missed: of those, frames in which the program did not come where it should: `simkit.spent.frames`.
        followed: whether it came there in two frames at least.
        by_main: whether the main program did in half of the frames at least; else handlers did, and `missed` says
            nothing of the main program.
    """

    slot: int
    ended: int
    missed: int
    followed: bool
    by_main: bool


@attrs.frozen
class Node:
    """A routine as it was called along one way; the picture's boxes.

    Attributes:
        place: its first instruction; None of the main program.
        cause: of a handler; "" of others.
        calls: how often it was called so.
        own: cycles of its own.
        cycles: with all below.
        below: what it called.
    """

    place: Place | None
    cause: str
    calls: int
    own: int
    cycles: int
    below: tuple[Node, ...]

    @property
    def name(self) -> str:
        """Of the routine; of a handler with its cause."""
        if self.place is None:
            return MAIN
        return f"{self.cause} {name_of(self.place)}".strip()


MAIN = "main program"


def _limit(lengths: Lengths, none: str) -> int:
    """The longest, for a limit of a test: where nothing was measured the limit must not hold."""
    worst = lengths.worst
    if worst is None:
        raise SimkitError(none, remedy="Run longer, or have happen what leads there.")
    return worst


def name_of(place: Place) -> str:
    """Label of a place with the distance, or its address."""
    return place.name or f"${place.address:04X}"
