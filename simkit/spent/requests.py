"""How long requests at IRQ and NMI wait, and what keeps them.

A request is a fall of the line; it is served by the next handler of its vector, and its latency goes from the cycle in
which the line is low to the first fetch of that handler. What kept it is, of IRQ, what had set I (a handler, SEI, PLP)
before the interrupt sequence began; if I was clear all the time, and of NMI, the instruction under way.
"""

from __future__ import annotations

import attrs

from simkit.spent.figures import Lengths

SEI, CLI, PLP, RTI = 0x78, 0x58, 0x28, 0x40
VECTOR = 5
"""Cycles of an interrupt sequence before it fetches its vector.

Source: MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976, appendix A.5.4.
"""
MOST_WAITING = 64
"""Edges at NMI that are remembered while none is served."""


@attrs.frozen(slots=True)
class Mask:
    """What set I.

    Attributes:
        what: "SEI", "PLP", "RTI", "RESET", the cause of a handler, or "" where it was set from the beginning on.
        at: the instruction, of a handler its first one; as a spot.
        cycle: from which on.
    """

    what: str
    at: int
    cycle: int


@attrs.define(slots=True)
class Request:
    """A request.

    Attributes:
        cycle: in which the line is low.
        at: instruction under way then, as a spot; -1: in a sequence.
        steps: how many cycles that takes.
        mask: what kept it.
        cleared: by what I was cleared, the last time, where, and from which cycle on: mnemonic and spot.
        let_go: the line is high again.
    """

    cycle: int
    at: int
    steps: int
    mask: Mask | None
    cleared: tuple[str, int, int] | None = None
    let_go: bool = False


@attrs.define
class Waits:
    """Of one line, as in `figures.Latency`.

    Attributes:
        longest: the request that waited longest, and how long.
    """

    lengths: Lengths = attrs.field(factory=Lengths)
    longest: tuple[int, Request] | None = None
    again: int = 0
    let_go: int = 0
    merged: int = 0


class Requests:
    """Follows both lines.

    Args:
        masked: whether I is set.

    Attributes:
        waits: by line.
    """

    def __init__(self, *, masked: bool) -> None:
        self.waits = {"IRQ": Waits(), "NMI": Waits()}
        self.go_on(masked=masked)

    def go_on(self, *, masked: bool) -> None:
        """It goes on elsewhere: what waits is not measured."""
        self._mask = Mask("", -1, -1) if masked else None
        self._aside: list[Mask | None] = []  # what had set I as handlers under way began
        self._waiting: dict[str, list[Request]] = {"IRQ": [], "NMI": []}

    def fell(self, line: str, cycle: int, at: int, steps: int) -> None:
        """A line is low from a cycle on."""
        waiting = self._waiting[line]
        if line == "IRQ" and len(waiting) > 1:  # one that was let go may have been seen before; not two
            self.waits[line].let_go += 1
            del waiting[0]
        elif len(waiting) >= MOST_WAITING:
            del waiting[0]
        waiting.append(Request(cycle, at, steps, self._mask if line == "IRQ" else None))

    def rose(self, line: str) -> None:
        """A line is high again; a sequence that has been decided upon comes all the same."""
        if line == "IRQ" and self._waiting[line]:
            self._waiting[line][-1].let_go = True

    def set_by(self, what: str, at: int, cycle: int) -> None:
        """I is set from `cycle` on."""
        if self._mask is None:
            self._mask = Mask(what, at, cycle)
            self._held(self._mask)

    def cleared_by(self, what: str, at: int, cycle: int) -> None:
        """I is clear from `cycle` on."""
        self._mask = None
        for request in self._waiting["IRQ"]:
            request.cleared = (what, at, cycle)

    def handler_begins(self, cause: str, at: int, begin: int, cycle: int) -> None:
        """A handler begins: its sequence in cycle `begin`, its first instruction in `cycle`."""
        if cause in self.waits:
            self._served(cause, begin, cycle)
        self._aside = [*self._aside[-127:], self._mask]
        self._mask = Mask(cause, at, begin)
        self._held(self._mask)

    def handler_returns(self, at: int, flags: int, cycle: int) -> None:
        """RTI took the flags off the stack."""
        before = self._aside.pop() if self._aside else None
        if not flags & 4:
            self.cleared_by("RTI", at, cycle)
        elif before is not None:
            self._mask = before
        else:
            self._mask = Mask("RTI", at, cycle)

    def reset(self, cycle: int) -> None:
        """RESET sets I, and ends handlers."""
        self._aside.clear()
        self._mask = Mask("RESET", -1, cycle)
        self._held(self._mask)

    def finish(self) -> None:
        """The run ends."""
        self.waits["IRQ"].let_go += sum(one.let_go for one in self._waiting["IRQ"])

    def _held(self, mask: Mask) -> None:
        for request in self._waiting["IRQ"]:
            if request.mask is None:
                request.mask = mask

    def _served(self, line: str, begin: int, cycle: int) -> None:
        waits, waiting = self.waits[line], self._waiting[line]
        # An edge at NMI counts until the vector is fetched, and may take over a sequence that has begun.
        last = begin + VECTOR if line == "NMI" else begin
        mine = [one for one in waiting if one.cycle < last]
        if not mine:
            waits.again += 1
            return
        self._waiting[line] = waiting[len(mine) :]
        if line == "NMI":
            request = mine[0]
            waits.merged += len(mine) - 1
        else:
            request = mine[-1]
            waits.let_go += len(mine) - 1
        length = cycle - request.cycle
        waits.lengths.counts[length] += 1
        if request.mask is not None and request.mask.cycle >= begin:
            request.mask = None  # it was let in before
        if waits.longest is None or length > waits.longest[0]:
            waits.longest = (length, request)
