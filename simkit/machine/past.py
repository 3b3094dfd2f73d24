"""What was the last of something before a moment: the past of a machine, kept by states now and then and run again.

m.remember()                                   # from now on
m.run(finding="write-to-rom")
found = m.before("finding:write-to-rom", last="write:counter")
found.cycle, found.pc, found.value, str(found)

While the machine runs only its state is taken now and then, and the input that comes; what is asked later is found by
running pieces of it again, on another machine of the same kind, with the same input in the same cycles. So the answer
is exact, whatever is asked, and costs little while nobody asks. A state is taken anew wherever a byte or a register was
changed by hand; a state that is loaded, and a power cycle, begin a new past.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TYPE_CHECKING

import attrs

from simkit.backplane.watchers import OutsideEvent
from simkit.contract.errors import SimkitError
from simkit.contract.events import NEVER
from simkit.machine.history import registers_of
from simkit.machine.lengths import whole
from simkit.machine.moments import Moment, parse_moment
from simkit.machine.occurrences import Occurrence, Occurrences
from simkit.machine.told import digits
from simkit.machine.until import waited_for
from simkit.machine.waiting import span_cycles

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

FIRST_SECONDS = Fraction(1, 4)
"""Machine time between two states at first; it doubles whenever there are MOST_STATES."""
MOST_STATES = 48
MOST_INPUTS = 200_000


@attrs.frozen
class _Mark:
    """A state of the machine.

    Attributes:
        cycle: in which it was taken.
        state: as `Machine.save_state` gave it.
        inputs: number of the first input that comes after it.
        by_hand: it does not follow from the one before.
    """

    cycle: int
    state: bytes
    inputs: int
    by_hand: bool


class Past:
    """The past of a machine, from now on; `Machine.remember` makes one.

    Args:
        machine: stands between two instructions.
        every: cycles between two states at first; None: FIRST_SECONDS.

    Attributes:
        next_look: cycle from which on the next state is taken.

    Raises:
        SimkitError: the machine runs, or stands inside an instruction.
    """

    def __init__(self, machine: Machine, every: int | None = None) -> None:
        self._given = every
        self.next_look = NEVER
        self._begin(machine)

    def _begin(self, machine: Machine) -> None:
        self._machine = machine
        self._anew()
        self._watch = machine.bus.watchers.add(outside=self._come, run=self)
        machine.histories.append(self)

    def stop(self) -> None:
        """Keep nothing more."""
        self._watch.remove()
        if self in self._machine.histories:
            self._machine.histories.remove(self)

    @property
    def begins(self) -> int:
        """The first cycle of it."""
        return self._marks[0].cycle if self._marks else self._machine.cycle

    @property
    def states(self) -> int:
        """How many states are kept."""
        return len(self._marks)

    # what the machine tells -------------------------------------------------------------------------------------------

    def about_to_run(self) -> None:
        """Registers or memory may have been changed by hand."""
        if self._machine.inside_instruction:
            return
        if self._changed or registers_of(self._machine) != self._seen:
            self._mark(by_hand=True)

    def has_run(self, error: BaseException | None) -> None:
        """Take a state if one is due."""
        machine = self._machine
        self._seen = registers_of(self._machine)
        if error is not None:
            self._changed = True  # nobody comes there by running again
        elif machine.cycle >= self.next_look and not machine.inside_instruction:
            self._mark(by_hand=False)

    def poked(self, address: int, value: int) -> None:
        """A byte was put into memory."""
        self._changed = True

    def about_to_be_another(self) -> None:
        """It stands for the last time as it is."""

    def state_loaded(self, data: bytes, before: int) -> None:
        """A new past begins."""
        self._anew()

    def power_cycled(self, before: int) -> None:
        """A new past begins."""
        self._anew()

    def faults_changed(self) -> None:
        """The machine has other faults from now on; a new past begins."""
        self._anew()

    def go_on_with(self, machine: Machine) -> None:
        """Another machine takes the place of this one; a new past begins."""
        self.stop()
        self._begin(machine)
        machine.past = self

    def _come(self, event: OutsideEvent) -> None:
        self._inputs.append(event)

    def _anew(self) -> None:
        machine = self._machine
        self._every = self._given or max(1, whole(FIRST_SECONDS * machine.clock_hz))
        self._marks: list[_Mark] = []
        self._inputs: list[OutsideEvent] = []
        self._changed = True
        if not machine.inside_instruction and not machine.cpu.running:
            self._mark(by_hand=True)

    def _mark(self, *, by_hand: bool) -> None:
        machine = self._machine
        self._changed = False
        self._seen = registers_of(self._machine)
        if by_hand and self._marks and self._marks[-1].cycle == machine.cycle:
            last = self._marks.pop()
            by_hand = last.by_hand or by_hand
        self._marks.append(_Mark(machine.cycle, machine.save_state(), len(self._inputs), by_hand))
        if len(self._marks) > MOST_STATES:
            self._thin_out()
        if len(self._inputs) > MOST_INPUTS and len(self._marks) > 1:
            self._forget(len(self._marks) // 2)
        self.next_look = machine.cycle + self._every

    def _thin_out(self) -> None:
        """Keep every other state, but for those that do not follow from the one before; of these the last."""
        self._marks = [mark for number, mark in enumerate(self._marks) if number % 2 == 0 or mark.by_hand]
        self._every *= 2
        if len(self._marks) > MOST_STATES:
            self._forget(len(self._marks) // 2)

    def _forget(self, number: int) -> None:
        """Forget the first states, and the input before the first that is left."""
        self._marks = self._marks[number:]
        first = self._marks[0].inputs
        del self._inputs[:first]
        self._marks = [attrs.evolve(mark, inputs=mark.inputs - first) for mark in self._marks]
        self._marks[0] = attrs.evolve(self._marks[0], by_hand=True)

    # questions --------------------------------------------------------------------------------------------------------

    def last(
        self,
        what: Moment | str,
        before: Moment | str | int | None = None,
        *,
        between: Callable[[float], None] = lambda part: None,
    ) -> Occurrence | None:
        """The last of something before a moment; None: there was none.

        Args:
            what: an access, arrival, finding or text, as a moment; #2 is the last but one.
            before: a moment, the first such since the past begins (#2: the second); or a cycle; None: now.
            between: called between the pieces that are looked at, the last one first, with the part that is done.

        Returns:
            What it was. Its cycle is before that of the moment: of accesses and findings in which they were, of labels
            that of the opcode fetch, of texts that in which it was seen.

        Raises:
            SimkitError: `what` is a time, or so long after something; or the moment did not come.
        """
        self._machine.finish_instruction()
        if not self._marks:
            self._mark(by_hand=True)
        asked = parse_moment(what) if isinstance(what, str) else what
        if not asked.kind or asked.after:
            raise SimkitError(
                f"The last {str(asked)!r} is nothing that happens.",
                remedy="Ask for the last read:, write:, access:, label:, finding: or text:.",
            )
        waited_for(self._machine, asked)  # refuses what is not there
        limit = self._machine.cycle if before is None else before
        if not isinstance(limit, int):
            limit = self._cycle_of(parse_moment(limit) if isinstance(limit, str) else limit)
        left = asked.number
        again = _Again(self._machine)
        for first, last in reversed(self._pieces(again, asked)):
            between(1 - (last + 1) / len(self._marks))
            if self._marks[first].cycle >= limit:
                continue
            found = [one for one in self._within(again, first, last, asked) if one.cycle < limit]
            if len(found) >= left:
                return self._looked_at(again, found[-left])
            left -= len(found)
        return None

    def _cycle_of(self, moment: Moment) -> int:
        """Cycle of a moment of this past."""
        after = sum(span_cycles(self._machine, span) for span in moment.after)
        if not moment.kind:
            return after
        left = moment.number
        again = _Again(self._machine)
        for first, last in self._pieces(again, moment):
            found = self._within(again, first, last, moment)
            if len(found) >= left:
                return found[left - 1].cycle + after
            left -= len(found)
        what = waited_for(self._machine, moment)
        known = f"from cycle {digits(self.begins)} to {digits(self._machine.cycle)}"
        raise SimkitError(
            f"{what[0].upper()}{what[1:]} did not come {known}.",
            remedy="Let the machine run on, or ask for another moment.",
        )

    def _end_of(self, number: int) -> int:
        """Cycle at which the piece behind a state ends."""
        return self._marks[number + 1].cycle if number + 1 < len(self._marks) else self._machine.cycle

    def _pieces(self, again: _Again, moment: Moment) -> list[tuple[int, int]]:
        """First and last state of the pieces that are looked at one by one; all at once, where that is the only way."""
        if Occurrences.memory_cycles(again.machine, moment) is None:
            return [(0, len(self._marks) - 1)]
        return [(number, number) for number in range(len(self._marks))]

    def _within(self, again: _Again, first: int, last: int, moment: Moment) -> list[Occurrence]:
        """All that happened from one state to the end of the piece behind another."""
        begin, end = self._marks[first].cycle, self._end_of(last)
        if begin >= end:
            return []
        earlier = self._first_needed(again, first, moment)
        again.stand(self._marks[earlier], self._inputs)
        occurrences = Occurrences(again.machine, moment, from_begin=earlier == 0)
        for piece in range(earlier, last + 1):
            again.machine.run_to(self._end_of(piece))
            if piece < last and self._marks[piece + 1].by_hand:
                again.stand(self._marks[piece + 1], self._inputs)
        occurrences.cancel()
        if moment.kind == "finding":  # it may tell of an earlier cycle than that in which it came up
            return occurrences.found
        return [one for one in occurrences.found if begin <= one.cycle < end]

    def _first_needed(self, again: _Again, number: int, moment: Moment) -> int:
        """State to begin at, so that it is known what stood there when the piece began: of a text an earlier one."""
        need = Occurrences.memory_cycles(again.machine, moment) or 0
        first = number
        while first and self._marks[number].cycle - self._marks[first].cycle < need:
            first -= 1
        return first

    def _looked_at(self, again: _Again, found: Occurrence) -> Occurrence:
        """The same with what else there is to tell: the machine just after it."""
        before = [mark for mark in self._marks if mark.cycle <= found.cycle] or self._marks[:1]
        again.stand(before[-1], self._inputs)
        again.machine.run_to(found.cycle + (found.moment.kind != "label"))
        return found.seen_from(again.machine)


class _Again:
    """A machine that runs pieces of the past again."""

    def __init__(self, machine: Machine) -> None:
        self.machine = type(machine)(machine.description, machine.images(), engine=machine.engine)
        self.machine.named_as(machine)

    def stand(self, mark: _Mark, inputs: list[OutsideEvent]) -> None:
        """Stand where a state was taken, with the input to come that came then."""
        machine = self.machine
        machine.load_state(mark.state)
        machine.bus.agenda.forget_outside()
        for cycle, slot, port, action, arguments in inputs[mark.inputs :]:
            machine.outside(slot, port, action, *arguments, at=cycle)


def remember(machine: Machine, *, every: int | None = None) -> Past:
    """Keep the past from now on, for `before`; a second time begins anew. This is `Machine.remember`.

    Args:
        machine: the machine.
        every: cycles between two states at first; they grow rarer as time goes on.
    """
    if machine.past is not None:
        machine.past.stop()
    machine.past = Past(machine, every)
    return machine.past


def before(machine: Machine, moment: Moment | str | int | None = None, *, last: Moment | str) -> Occurrence | None:
    """What the last of something was before a moment, or before now. This is `Machine.before`.

    Args:
        machine: whose past is kept since `remember`.
        moment: as of `Past.last`.
        last: what is asked for: "write:counter", "access:4.status", "label:irq#2".

    Raises:
        SimkitError: nothing is kept; or as of `Past.last`.
    """
    if machine.past is None:
        raise SimkitError(
            "Nothing is known of the machine's past.", remedy="Call m.remember() before it runs, and ask again."
        )
    return machine.past.last(last, moment)
