"""Interrupt requests: whether handlers answer them, keep up with them, and are let in at all."""

from __future__ import annotations

from collections import deque

from simkit.check.image.ground import Place
from simkit.check.image.named import slots_named, word
from simkit.check.result.notes import Notes
from simkit.machine.machine import Machine
from simkit.machine.views import LineView

RUNS_IN_VAIN = 24
"""Runs of a handler with IRQ low throughout and no instruction of the main program between, that count as in vain.
More than a card with a queue and a slow controller needs to let go."""

RUNS_OVERLOADED = 100
"""Runs of handlers that do answer, without an instruction of the main program between, that count as too many. More
than a burst: a queue of keys, a line of text from a card with a buffer."""

LOW_PART = 4
"""1 / this part of the run with a line low up to its end counts as low for ever."""

POLLED = 3
"""Reads of a card's status while it asks that count as polling."""

_IRQ = 0xFFFE


class Requests:
    """Follows the lines IRQ and NMI through the runs of handlers.

    Attributes:
        idle: no instruction of the main program since the last request was taken; the owner clears it.
        visited: slots of cards that handlers have accessed so far.
        irq_taken: whether the CPU has answered IRQ.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes
        self._irq, self._nmi = machine.lines["IRQ"], machine.lines["NMI"]
        self.idle = False
        self.visited: set[int] = set()
        self.irq_taken = False
        self._status_read: dict[int, deque[int]] = {}  # cycles of the last reads by the main program, by slot
        self._nmi_taken: tuple[int, int] | None = None  # cycle, handler
        self._since = -1  # IRQ low
        self._runs = 0  # with IRQ low since then
        self._busy = 0  # runs without an instruction of the main program between
        self._told = False
        self._touched: set[int] = set()  # slots, in this series of runs
        self._answered: set[int] = set()  # slots that were seen to let go
        self._answered_now: set[int] = set()  # with IRQ low since `_since`
        self._asking: set[int] = set()  # slots that pulled when the handler was entered

    def taken(self, cause: str, handler: int, cycle: int, nested: int) -> None:
        """A handler begins.

        Args:
            cause: "IRQ", "NMI" or "BRK".
            handler: its address.
            cycle: of its first instruction.
            nested: handlers under way at the same address, this one among them.
        """
        if cause == "NMI":
            self._nmi_taken = cycle, handler
        elif cause == "IRQ":
            self.irq_taken = True
            self._count_run(handler, cycle, nested)

    def touched(self, slot: int) -> None:
        """A handler has accessed a register of a card."""
        self.visited.add(slot)
        self._touched.add(slot)
        if slot in self._asking and slot not in _pulling(self._irq):
            self._answered.add(slot)
            self._answered_now.add(slot)

    def looked(self, place: Place, cycle: int) -> None:
        """The main program has read a register."""
        if self._irq.level:
            return
        register = place.reads
        if register is not None and (register.bits or register.access == "r"):
            self._status_read.setdefault(place.slot, deque(maxlen=POLLED)).append(cycle)

    def _count_run(self, handler: int, cycle: int, nested: int) -> None:
        since = self._irq.since
        if not self.idle:  # the first of a series, most often of one: little is done
            self.idle = True
            self._runs = self._busy = 1
            self._since = since
            self._told = False
            for slots in (self._touched, self._answered, self._answered_now, self._asking):
                slots.clear()
            return
        if since != self._since:
            self._runs = 0
            self._since = since
            self._answered_now.clear()
        self._runs += 1
        self._busy += 1
        self._asking = _pulling(self._irq)
        if self._told:
            return
        if self._runs % RUNS_IN_VAIN == 0:
            stuck = self._asking - self._answered_now
            self._answered_now.clear()
            if stuck or not self._asking:
                self._told = True
                self._in_vain(handler, cycle, stuck, nested)
        elif self._busy >= RUNS_OVERLOADED and self._answered >= self._asking:
            self._told = True
            self._notes.add(
                "interrupt-overload",
                cycle,
                f"The handler at ${handler:04X} has run {self._busy} times without an instruction of the main program "
                f"between: it makes {self._named(self._answered)} let go, but IRQ is low again before it returns.",
                pc=handler,
                slot=_one_of(self._answered),
            )

    def _in_vain(self, handler: int, cycle: int, stuck: set[int], nested: int) -> None:
        if nested >= self._runs:
            how = f"was entered {self._runs} times, each time before the last run was over, and no run got as far as"
            what = " to make it let go (CLI comes too early)"
        else:
            how = f"ran {self._runs} times without an instruction of the main program between and"
            what = (
                " touches it, but not the register that makes it let go"
                if stuck & self._touched
                else (" never touches it")
            )
        self._notes.add(
            "interrupt-unacknowledged",
            cycle,
            f"IRQ has been low since cycle {self._irq.since}, pulled by {self._named(stuck)}; the handler at "
            f"${handler:04X} {how}{what}.",
            pc=handler,
            slot=_one_of(stuck),
        )

    def _named(self, slots: set[int]) -> str:
        cards = self._machine.cards
        names = [cards[slot].title if slot in cards else "an outside pin" for slot in sorted(slots)]
        if names:
            return " and ".join(names)
        held = any(line.tied is False or line.pull is False for line in self._machine.bus.nets.moving("IRQ"))
        return "nobody but the wiring" if held else "nobody any more"

    # at the end of the run ------------------------------------------------------------------------------------------

    def report(self, under_way: list[str]) -> None:
        """Note lines that stay low.

        Args:
            under_way: causes of the handlers that have not returned.
        """
        if self._nmi_taken is not None and "NMI" not in under_way and self._for_ever(self._nmi):
            self._report_nmi(*self._nmi_taken)
        if not self.irq_taken and self._for_ever(self._irq):
            self._report_irq()

    def _for_ever(self, line: LineView) -> bool:
        now = self._machine.cycle
        return not line.level and (now - line.since) * LOW_PART >= now

    def _report_nmi(self, cycle: int, handler: int) -> None:
        line = self._nmi
        if cycle < line.since:
            return  # the edge was not taken
        cards = self._machine.cards
        asking = {slot for slot in _pulling(line) if slot in cards and cards[slot].registers}
        if not asking:
            return  # a button that somebody holds: no access makes it let go
        what = "touch it, but not the register that makes it let go" if asking & self.visited else "never touch it"
        self._notes.add(
            "nmi-held-low",
            cycle,
            f"NMI has been low since cycle {line.since} to the end of the run, pulled by {self._named(asking)}; the "
            f"handler at ${handler:04X} ran once for it, and handlers {what}.",
            pc=handler,
            slot=_one_of(asking),
        )

    def _report_irq(self) -> None:
        line = self._irq
        handler = word(self._machine, _IRQ)
        served = set(slots_named(self._machine, handler))
        waiting = {slot for slot in _pulling(line) & served if not self._polls(slot, line.since)}
        if waiting:
            self._notes.add(
                "interrupt-shut-out",
                line.since,
                f"IRQ has been low since cycle {line.since} to the end of the run, pulled by {self._named(waiting)}, "
                f"for which the handler at ${handler:04X} is written; it never ran: the interrupt flag I stayed set.",
                pc=handler,
                slot=_one_of(waiting),
            )

    def _polls(self, slot: int, since: int) -> bool:
        reads = self._status_read.get(slot)
        return reads is not None and len(reads) == POLLED and reads[0] >= since


def _pulling(line: LineView) -> set[int]:
    """Slots that pull a line low; -1 for a pin that no card holds."""
    return {pin.slot for pin in line.pins if pin.value is False}


def _one_of(slots: set[int]) -> int | None:
    """The first slot, for findings that name one."""
    return min((slot for slot in slots if slot >= 0), default=None)
