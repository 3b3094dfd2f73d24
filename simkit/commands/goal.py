"""Until when a machine runs that was started from the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import attrs

from simkit.contract.errors import SimkitError, near
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.moments import Moment, parse_end, parse_moment
from simkit.machine.running import DEFAULT_TIMEOUT_SECONDS
from simkit.machine.told import digits
from simkit.machine.until import frames_to_draw, waited_for
from simkit.machine.waiting import Wait, span_cycles

if TYPE_CHECKING:
    from simkit.machine.views import Screen


def moment_of(screen: Screen | None, text: str) -> Moment:
    """The moment of a text; frames and texts are those of the screen that is shown, if none is named.

    Raises:
        SimkitError: it says none.
    """
    return of_screen(screen, parse_moment(text))


def of_screen(screen: Screen | None, moment: Moment) -> Moment:
    """The moment with its screens named, where one is shown."""
    if screen is None:
        return moment
    slot = str(screen.slot)
    after = tuple(attrs.evolve(span, screen=span.screen or slot) if span.unit == "f" else span for span in moment.after)
    return attrs.evolve(moment, after=after, screen=moment.screen or (slot if moment.kind == "text" else ""))


def cycles_of(machine: Machine, screen: Screen | None, text: str, option: str) -> int:
    """Cycles of a length of time.

    Raises:
        SimkitError: it says none, or is a moment of another kind.
    """
    try:
        moment = moment_of(screen, text)
    except SimkitError as error:
        raise of_option(option, error) from error
    if moment.kind:
        raise SimkitError(
            f"{option} {text!r}: a length of time is wanted here, no {moment.kind}.", remedy="Write e.g. 20ms or 5000c."
        )
    return sum(span_cycles(machine, span) for span in moment.after)


def counted_from(length: str, begin: Moment | None) -> str:
    """The end of a run as a moment of its own, where it is told from the beginning of what is wanted: "+20ms".

    Args:
        length: as somebody wrote it behind --for.
        begin: the beginning; None: power-on.

    Raises:
        SimkitError: it says none.
    """
    if not length.lstrip().startswith("+"):
        return length
    try:
        return str(parse_end(length, begin if begin is not None else parse_moment("0c")))
    except SimkitError as error:
        raise of_option("--for", error) from error


def of_option(option: str, error: SimkitError) -> SimkitError:
    """The error with the option before it."""
    return SimkitError(f"{option}: {error.message}", lines=error.lines, remedy=error.remedy)


def remark_on(moment: Moment) -> str:
    """What may be wrong with a moment that has not come; "" or a sentence with a blank before it."""
    if moment.kind != "finding" or not moment.value:
        return ""
    from simkit.check.rules.catalogue import RULES

    if moment.value in RULES:
        return ""
    return f" The kit has no rule {moment.value!r}. {near(moment.value, RULES)}"


class Goal(Bystander):
    """Where a run ends.

    Args:
        machine: the machine.
        screen: whose frames count.
        text: of a moment.
        timeout: machine time in cycles after which an event is given up; None for DEFAULT_TIMEOUT_SECONDS.

    Attributes:
        limit: cycle to run to: of a moment that has not come, the one at which it is given up.
        come: whether it is known.

    Raises:
        SimkitError: it is no moment of this machine.
    """

    def __init__(self, machine: Machine, screen: Screen | None, text: str, timeout: int | None = None) -> None:
        try:
            self.moment = moment_of(screen, text)
            self.what = waited_for(machine, self.moment)
            self.come = False
            usual = int(DEFAULT_TIMEOUT_SECONDS * machine.clock_hz)
            self.limit = machine.cycle + (usual if timeout is None else timeout)
            self._machine = machine
            self._wait = Wait(machine, self.moment, self._comes)
        except SimkitError as error:
            raise of_option("--for/--until/--at", error) from error
        if not self.is_time:
            machine.histories.append(self)

    def _comes(self, cycle: int) -> None:
        self.come = True
        self.limit = cycle + frames_to_draw(self._machine, self.moment)
        self._machine.end_run_at(self.limit)

    @property
    def is_time(self) -> bool:
        """Whether it is a time after power-on."""
        return not self.moment.kind

    @property
    def left(self) -> int | None:
        """Cycles to an event that has come, or to so long after it; None of a time, or while it has not come."""
        return max(0, self.limit - self._machine.cycle) if self.come and not self.is_time else None

    def power_cycled(self, before: int) -> None:
        """What is still to run after the event is run all the same."""
        if self.come:
            self.limit = max(0, self.limit - before)

    def go_on_with(self, machine: Machine) -> None:
        """A recording has loaded the machine anew: wait for the event there."""
        before, self._machine = self._machine, machine
        self._wait.cancel()
        self.power_cycled(before.cycle)
        if not self.come:
            self._wait = Wait(machine, self.moment, self._comes)
        machine.histories.append(self)

    def missed(self) -> list[str]:
        """What is told when it has not come."""
        if self.come:
            return []
        cpu, now = self._machine.cpu, digits(self._machine.cycle)
        what = f"{self.what[0].upper()}{self.what[1:]}"
        if cpu.halted:
            return [f"The CPU was {cpu.halted} before {self.what} came, in cycle {now}.{remark_on(self.moment)}"]
        where = self._machine.place(cpu.pc).words()
        return [f"{what} did not come up to cycle {now}; next is {where}.{remark_on(self.moment)}"]

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {"moment": str(self.moment), "come": self.come}
