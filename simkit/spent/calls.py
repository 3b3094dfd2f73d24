"""Who called whom, from the addresses at which the CPU puts return addresses on the stack and takes them off.

A call is known by where on the stack the high byte of its return address lies, its `top`. The stack grows down, so:

- JSR, BRK and interrupts begin a call there. Calls whose return address lies at or below that place are over: the
  program has moved S above them (TXS, PLA).
- RTS and RTI take an address off. Where it lies at the top of a call, that call is back, and those below it are over.
  Where it lies below the top of the innermost call, the program has pushed it itself: that is a jump.
- JMP, and such a jump, belong to the routine that makes them, unless they go to where some JSR of the program goes:
  then that routine is called, and both are back at the same RTS. From the main program and from handlers it is a jump.

So tops fall from the outermost call to the innermost, at most one in two bytes of the stack, and whatever a program
does with S, the next return above it has the calls in order again.
"""

from __future__ import annotations

import attrs

from simkit.spent.figures import Lengths

MOST_NODES = 50_000
"""Ways along which routines were called that are told apart; what is called beyond counts to its caller's."""
MOST_TAILS = 16
"""Routines that end by jumping to the next, in one call."""
_BOTTOM = 0x100
"""Top of the main program, which never returns."""


@attrs.define(slots=True)
class Tally:
    """Of a routine or handler: as in `figures.Routine`."""

    calls: int = 0
    own: int = 0
    cycles: int = 0
    lengths: Lengths = attrs.field(factory=Lengths)
    longest: int | None = None


@attrs.define(slots=True, eq=False)
class Step:
    """A routine along one way of calls.

    Attributes:
        key: the routine; (cause, routine) of a handler, None of the main program.
        tally: of the routine, whatever the way.
        calls, own: as in `figures.Node`.
        below: by key.
    """

    key: object
    tally: Tally
    calls: int = 0
    own: int = 0
    below: dict[object, Step] = attrs.field(factory=dict)


class _Call:
    """A call under way.

    Attributes:
        key: as of its step.
        tally: where its cycles are told.
        step: where they are told, too.
        top: where the high byte of its return address lies, in page 1.
        begin: cycle of its first instruction; of an interrupt that of its sequence.
        under_way: how often routines are under way in this handler, or in the main program.
        own: cycles of its own.
        below: cycles of what it has called and what has come back.
    """

    __slots__ = ("begin", "below", "key", "own", "step", "tally", "top", "under_way")

    def __init__(
        self, key: object, tally: Tally, step: Step, top: int, begin: int, under_way: dict[object, int]
    ) -> None:
        self.key, self.tally, self.step, self.top, self.begin = key, tally, step, top, begin
        self.under_way = under_way
        self.own = self.below = 0

    @property
    def is_handler(self) -> bool:
        return isinstance(self.key, tuple)


class Calls:
    """Follows calls.

    Args:
        begin: the first cycle.
        known: routines that JSR is known to call.

    Attributes:
        main: the main program and all that it calls.
        handlers: by (cause, routine).
        tallies: of routines, and of handlers by (cause, routine).
        crowded: whether there were more ways than MOST_NODES.
    """

    def __init__(self, begin: int, known: set[int]) -> None:
        self.main = Step(None, Tally())
        self.handlers: dict[object, Step] = {}
        self.tallies: dict[object, Tally] = {}
        self.crowded = False
        self._known = known
        self._nodes = 0
        self._booked = begin
        self._calls = [_Call(None, self.main.tally, self.main, _BOTTOM, begin, {})]

    @property
    def in_handler(self) -> bool:
        """Whether a handler is under way."""
        return self._calls[-1].under_way is not self._calls[0].under_way

    def called(self, routine: int, top: int, cycle: int) -> None:
        """JSR; `cycle` is that of the first instruction of the routine."""
        caller = self._calls[-1]
        caller.own += cycle - self._booked
        self._booked = cycle
        if caller.top <= top:
            self._over(top, cycle)
        self._begin(routine, top, cycle)

    def interrupted(self, cause: str, routine: int, top: int, begin: int) -> None:
        """A handler is called; its cycles count from `begin` on."""
        self._book(begin)
        self._over(top, begin)
        key = (cause, routine)
        step = self.handlers.get(key)
        if step is None:
            step = self.handlers[key] = Step(key, self._tally(key))
        step.calls += 1
        step.tally.calls += 1
        self._calls.append(_Call(key, step.tally, step, top, begin, {key: 1}))

    def returned(self, top: int, target: int, cycle: int) -> None:
        """RTS or RTI took an address off; it goes on at `target` in `cycle`."""
        calls = self._calls
        last = calls[-1]
        last.own += cycle - self._booked
        self._booked = cycle
        while last.top < top:
            self._end(cycle, came_back=False)
            last = calls[-1]
        if last.top > top:
            self.jumped(target, cycle)
            return
        while calls[-1].top == top:
            self._end(cycle, came_back=True)

    def jumped(self, target: int, cycle: int) -> None:
        """JMP, or an address that the program itself has pushed."""
        calls = self._calls
        last = calls[-1]
        if target not in self._known or last.top == _BOTTOM or last.is_handler:
            return
        chain = 0
        for call in reversed(calls):
            if call.top != last.top:
                break
            chain += 1
            if call.key == target:  # back to where it began: the same call goes on
                self._book(cycle)
                while calls[-1] is not call:
                    self._end(cycle, came_back=True)
                return
        if chain < MOST_TAILS:
            self._book(cycle)
            self._begin(target, last.top, cycle)

    def finish(self, cycle: int) -> None:
        """The run ends, or begins anew: nothing under way comes back."""
        self._book(cycle)
        while len(self._calls) > 1:
            self._end(cycle, came_back=False)
        (main,) = self._calls
        main.step.own += main.own
        main.own = main.below = 0

    def go_on(self, cycle: int) -> None:
        """It goes on in another cycle."""
        self._booked = cycle

    # inside -----------------------------------------------------------------------------------------------------------

    def _book(self, cycle: int) -> None:
        """All up to a cycle was the innermost call's."""
        self._calls[-1].own += cycle - self._booked
        self._booked = cycle

    def _over(self, top: int, cycle: int) -> None:
        while self._calls[-1].top <= top:
            self._end(cycle, came_back=False)

    def _begin(self, routine: int, top: int, cycle: int) -> None:
        caller = self._calls[-1]
        step = caller.step.below.get(routine)
        if step is None:
            self._known.add(routine)
            tally = self._tally(routine)
            if self._nodes < MOST_NODES:
                self._nodes += 1
                step = caller.step.below[routine] = Step(routine, tally)
                step.calls = 1
            else:
                self.crowded = True
                step = caller.step
        else:
            step.calls += 1
            tally = step.tally
        tally.calls += 1
        under_way = caller.under_way
        under_way[routine] = under_way.get(routine, 0) + 1
        self._calls.append(_Call(routine, tally, step, top, cycle, under_way))

    def _tally(self, key: object) -> Tally:
        found = self.tallies.get(key)
        if found is None:
            found = self.tallies[key] = Tally()
        return found

    def _end(self, cycle: int, *, came_back: bool) -> None:
        call = self._calls.pop()
        key, tally, own = call.key, call.tally, call.own
        spent = own + call.below
        call.step.own += own
        tally.own += own
        others = call.under_way[key] = call.under_way[key] - 1
        if not others:
            tally.cycles += spent
        if came_back:
            tally.lengths.counts[spent] += 1
            elapsed = cycle - call.begin
            if tally.longest is None or elapsed > tally.longest:
                tally.longest = elapsed
        if not isinstance(key, tuple):
            self._calls[-1].below += spent
