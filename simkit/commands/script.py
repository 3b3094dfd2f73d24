r"""What is done to a machine from the command line, each at its moment, and until when it runs.

    --type "TEXT@MOMENT"    typed on the only keyboard; without a keyboard as from a terminal on the serial line
    --send "TEXT@MOMENT"    sent over the serial line as it stands, also on a machine with a keyboard
    --pad N=BUTTONS@FROM..TO

The moment is what stands behind the last @ that is not quoted; TO may be so long after FROM: "+0.1s".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import attrs

from simkit.contract.errors import SimkitError
from simkit.machine.machine import DEFAULT_TIMEOUT_SECONDS, Machine
from simkit.machine.moments import Moment, parse_end, parse_moment
from simkit.machine.told import digits
from simkit.machine.until import frames_to_draw, waited_for
from simkit.machine.waiting import Wait, span_cycles

if TYPE_CHECKING:
    from simkit.machine.views import Screen

_PAD = re.compile(r"([0-9]{1,9})=([^@]+)@(.+)", re.DOTALL)
_ESCAPES = {"n": "\n", "t": "\t", "\\": "\\", "b": "\b", "e": "\x1b", "r": "\r"}
POWER_ON = Moment(after=(parse_moment("0c").after))


def moment_of(machine: Machine, screen: Screen | None, text: str) -> Moment:
    """The moment of a text; frames are those of the screen that is shown, if none is named.

    Raises:
        SimkitError: it says none.
    """
    return _of_screen(machine, screen, parse_moment(text))


def _of_screen(machine: Machine, screen: Screen | None, moment: Moment) -> Moment:
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
    moment = moment_of(machine, screen, text)
    if moment.kind:
        raise SimkitError(
            f"{option} {text!r}: a length of time is wanted here, no {moment.kind}.", remedy="Write e.g. 20ms or 5000c."
        )
    return sum(span_cycles(machine, span) for span in moment.after)


class Goal:
    """Where a run ends.

    Args:
        machine: the machine.
        screen: whose frames count.
        text: of a moment.

    Attributes:
        limit: cycle to run to: of a moment that has not come, the one at which it is given up.
        come: whether it is known.

    Raises:
        SimkitError: it is no moment of this machine.
    """

    def __init__(self, machine: Machine, screen: Screen | None, text: str) -> None:
        self.moment = moment_of(machine, screen, text)
        self.what = waited_for(machine, self.moment)
        self.come = False
        self.limit = machine.cycle + int(DEFAULT_TIMEOUT_SECONDS * machine.clock_hz)
        self._machine = machine
        self._wait = Wait(machine, self.moment, self._comes)

    def _comes(self, cycle: int) -> None:
        self.come = True
        self.limit = cycle + frames_to_draw(self._machine, self.moment)
        self._machine.end_run_at(self.limit)

    @property
    def is_time(self) -> bool:
        """Whether it is a time after power-on."""
        return not self.moment.kind

    def missed(self) -> list[str]:
        """What is told when it has not come."""
        if self.come:
            return []
        where = self._machine.place(self._machine.cpu.pc).words()
        what = f"{self.what[0].upper()}{self.what[1:]}"
        return [f"{what} did not come up to cycle {digits(self._machine.cycle)} ({where} is next)."]


@attrs.define(eq=False)
class _Input:
    """One thing to be done: what the command line says, and the last cycle in which something of it happens."""

    option: str
    text: str
    what: str
    end: int | None = None


class Script:
    """Input of a command line, queued for a machine.

    Args:
        machine: just switched on.
        screen: whose frames count.
        typed: texts of --type.
        pads: texts of --pad.
        sent: texts of --send.
        serial_slot: slot of the serial card that --send means, when there are several.

    Raises:
        SimkitError: a text says nothing that can be done to this machine.
    """

    def __init__(
        self,
        machine: Machine,
        screen: Screen | None = None,
        typed: Sequence[str] = (),
        pads: Sequence[str] = (),
        sent: Sequence[str] = (),
        serial_slot: int | None = None,
    ) -> None:
        self._machine = machine
        self._screen = screen
        self._serial_slot = serial_slot
        self._inputs: list[_Input] = []
        for text in typed:
            self._type(text)
        for text in sent:
            self._send(text)
        for text in pads:
            self._hold(text)

    def not_given(self) -> list[str]:
        """What was not done up to now, as its moment has not come; a line each."""
        now = self._machine.cycle
        told = []
        for one in self._inputs:
            if one.end is None:
                told.append(f"{one.option} {one.text!r} was never given: {one.what} did not come.")
            elif one.end > now:
                told.append(
                    f"{one.option} {one.text!r} was not given to its end: the run ended in cycle {digits(now)}, and it "
                    f"goes on to cycle {digits(one.end)}."
                )
        return told

    def _when(self, option: str, text: str, moment: Moment, give: Callable[[int], int]) -> None:
        """Have `give(cycle)` called when the moment has come; it gives the last cycle of what it queued."""
        entry = _Input(option, text, waited_for(self._machine, moment))
        self._inputs.append(entry)

        def come(cycle: int) -> None:
            entry.end = give(cycle)

        self._machine.when(moment, come)

    def _moment(self, option: str, text: str) -> tuple[str, Moment]:
        at = _last_unquoted(text, "@")
        if at is None:
            return _unescaped(text), POWER_ON
        try:
            return _unescaped(text[:at]), moment_of(self._machine, self._screen, text[at + 1 :])
        except SimkitError as error:
            raise SimkitError(
                f"{option} {text!r}: {error.message}",
                lines=error.lines,
                remedy=f'Write "TEXT@2s"; a text with an @ needs its time, too. {error.remedy or ""}'.rstrip(),
            ) from error

    def _type(self, text: str) -> None:
        from simkit.machine.views import Keys, Serial

        typed, moment = self._moment("--type", text)
        machine = self._machine
        if machine.ports(Keys) or not machine.ports(Serial):
            keys = machine.keys
            keys.strokes(typed)  # what no key gives is told now
            self._when("--type", text, moment, lambda cycle: keys.type(typed, at=cycle))
        else:
            self._over_line("--type", text, typed.replace("\n", "\r"), moment)  # the enter key of a terminal

    def _send(self, text: str) -> None:
        typed, moment = self._moment("--send", text)
        self._over_line("--send", text, typed, moment)

    def _over_line(self, option: str, text: str, sent: str, moment: Moment) -> None:
        from simkit.machine.views import Serial

        plug = self._machine.port(Serial, self._serial_slot, option="--serial-slot")
        try:
            content = sent.encode("ascii" if option == "--type" else "latin-1")
        except UnicodeEncodeError:
            raise SimkitError(
                f"{option} {text!r}: the serial line carries bytes{' of ASCII' if option == '--type' else ''}.",
                remedy="Leave other letters out.",
            ) from None

        def give(cycle: int) -> int:
            plug.send(content, at=cycle)
            return cycle

        self._when(option, text, moment, give)

    def _hold(self, text: str) -> None:
        match = _PAD.fullmatch(text.strip())
        if match is None:
            raise SimkitError(
                f"--pad {text!r} does not say PAD=BUTTONS@FROM..TO.", remedy='Write e.g. --pad "1=right+a@1.5s..2s".'
            )
        machine = self._machine
        pad = machine.pads[int(match[1])]
        buttons = [button.strip() for button in match[2].split("+")]
        pad.check(*buttons)
        at = _last_unquoted(match[3], "..")
        try:
            first = moment_of(machine, self._screen, match[3] if at is None else match[3][:at])
            last = None
            if at is not None:
                last = _of_screen(machine, self._screen, parse_end(match[3][at + 2 :], first))
        except SimkitError as error:
            raise SimkitError(f"--pad {text!r}: {error.message}", lines=error.lines, remedy=error.remedy) from error
        if last is not None and not first.kind and not last.kind:
            begin, end = (sum(span_cycles(machine, span) for span in one.after) for one in (first, last))
            if end <= begin:
                raise SimkitError(f"--pad {text!r} ends before it begins.", remedy="Write the earlier time first.")

        def press(cycle: int) -> int:
            pad.press(*buttons, at=cycle)
            if last is not None and last.later(()) != first and _same_event(first, last):
                pad.release(
                    *buttons, at=cycle + sum(span_cycles(machine, span) for span in last.after[len(first.after) :])
                )
            elif last is not None:
                self._when("--pad", text, last, release)
            return cycle

        def release(cycle: int) -> int:
            pad.release(*buttons, at=cycle)
            return cycle

        self._when("--pad", text, first, press)


def _same_event(first: Moment, last: Moment) -> bool:
    """Whether the one is so long after the other."""
    own = attrs.evolve(last, after=last.after[: len(first.after)])
    return own == first and len(last.after) > len(first.after)


def _last_unquoted(text: str, sign: str) -> int | None:
    """Where a sign stands last outside of double quotes and not behind a backslash; quotes are counted from the end."""
    at = text.rfind(sign)
    while at >= 0:
        behind = re.sub(r"\\.", "", text[at + len(sign) :])
        if behind.count('"') % 2 == 0 and not text[:at].endswith("\\"):
            return at
        at = text.rfind(sign, 0, at)
    return None


def _unescaped(text: str) -> str:
    r"""\n, \t, \r, \b, \e, \xNN and what else stands behind a backslash, itself."""
    return re.sub(
        r"\\(?:x([0-9A-Fa-f]{2})|(.))",
        lambda match: chr(int(match[1], 16)) if match[1] else _ESCAPES.get(match[2], match[2]),
        text,
    )
