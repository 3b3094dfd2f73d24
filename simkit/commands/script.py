r"""What is done to a machine from the command line, each at its moment.

    --type "TEXT@MOMENT"    typed on the only keyboard; without a keyboard as from a terminal on the serial line
    --send "TEXT@MOMENT"    sent over the serial line as it stands, also on a machine with a keyboard
    --pad N=BUTTONS@FROM..TO

The moment is what stands behind the last @ that is not quoted; \@ is none. TO may be so long after FROM: "+0.1s".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import attrs

from simkit.commands.goal import moment_of, of_option, of_screen, remark_on
from simkit.contract.errors import SimkitError
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.moments import Moment, parse_end, parse_moment
from simkit.machine.told import digits
from simkit.machine.until import waited_for
from simkit.machine.waiting import span_cycles

if TYPE_CHECKING:
    from simkit.machine.views import Screen, Serial

_PAD = re.compile(r"([0-9]{1,9})=([^@]+)@(.+)", re.DOTALL)
_ESCAPES = {"n": "\n", "t": "\t", "\\": "\\", "b": "\b", "e": "\x1b", "r": "\r"}
_WRONG_ESCAPE = re.compile(r"\\x(?![0-9A-Fa-f]{2}).{0,2}", re.DOTALL)
POWER_ON = parse_moment("0c")


@attrs.define(eq=False)
class _Input:
    """One thing to be done.

    Attributes:
        option: of the command line.
        text: as it was given.
        moment: at which it is done.
        what: is waited for, in words.
        begin: cycle in which it begins; None while its moment has not come.
        end: the last cycle in which something of it happens.
        plug: the serial plug over which it goes.
        size: how many bytes go over it.
        ended: cycle in which the power went off, before all was done.
        holds: whether it is the end of what is held.
    """

    option: str
    text: str
    moment: Moment
    what: str
    begin: int | None = None
    end: int = 0
    plug: Serial | None = None
    size: int = 0
    ended: int | None = None
    holds: bool = False


class Script(Bystander):
    """Input of a command line, queued for a machine; what is given at a time comes in its first power-on alone.

    Args:
        machine: just switched on.
        screen: whose frames count.
        typed: texts of --type.
        pads: texts of --pad.
        sent: texts of --send.
        terminal_slot: slot of the serial card that is meant, when there are several.

    Attributes:
        tell: called with the cycle of each input that comes at an event, as it is queued.

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
        terminal_slot: int | None = None,
    ) -> None:
        self.tell: Callable[[int], None] = lambda cycle: None
        self._machine = machine
        self._screen = screen
        self._terminal_slot = terminal_slot
        self._inputs: list[_Input] = []
        for text in typed:
            self._type(text)
        for text in sent:
            self._send(text)
        for text in pads:
            self._hold(text)
        machine.histories.append(self)

    def power_cycled(self, before: int) -> None:
        """What was queued is gone."""
        self._reckon_serial(before)
        for one in self._inputs:
            if one.begin is not None and one.ended is None:
                one.ended = before

    # what did not come ------------------------------------------------------------------------------------------------

    def not_given(self) -> list[str]:
        """What was not done up to now, or not to its end; a line each."""
        return [one["message"] for one in self.as_dicts()]

    def as_dicts(self) -> list[dict[str, Any]]:
        """The same for --json."""
        self._reckon_serial(self._machine.cycle)
        return [
            {"option": one.option, "text": one.text, "moment": str(one.moment), "message": message}
            for one in self._inputs
            if (message := self._left_of(one)) is not None
        ]

    def _reckon_serial(self, now: int) -> None:
        """Say when bytes on a line have arrived, one behind the other at the rate that is set."""
        free: dict[int, int] = {}
        for one in sorted((one for one in self._inputs if one.plug and one.begin is not None), key=_begin):
            if one.plug is not None and one.ended is None:
                begin = max(_begin(one), free.get(one.plug.slot, 0))
                end = begin + one.size * one.plug.port.byte_cycles(now)  # 0 where nobody listens: a finding says it
                one.end = free[one.plug.slot] = end

    def _left_of(self, one: _Input) -> str | None:
        what = f"{one.option} {one.text!r} was "
        if one.begin is None:
            never = "held to the end of the run" if one.holds else "never given"
            return f"{what}{never}: {one.what} did not come.{remark_on(one.moment)}"
        now = self._machine.cycle if one.ended is None else one.ended
        ended = "the run ended" if one.ended is None else "the power was switched off"
        if one.begin >= now:
            if one.holds:
                return f"{what}held to the end: {ended} in cycle {digits(now)}, before {one.moment}."
            return f"{what}never given: {ended} in cycle {digits(now)}, before {one.moment}."
        if one.end > now:
            goes_on = f"it goes on to cycle {digits(one.end)}"
            if one.plug is not None:
                arrived = one.size - -(-(one.end - now) * one.size // (one.end - one.begin))
                goes_on = f"{max(0, arrived)} of {one.size} bytes have arrived, and {goes_on}"
            return f"{what}not given to its end: {ended} in cycle {digits(now)}; {goes_on}."
        return None

    # what is done -----------------------------------------------------------------------------------------------------

    def _when(self, entry: _Input, give: Callable[[int], int]) -> None:
        """Have `give(cycle)` called when the moment has come; it gives the last cycle of what it queued."""
        self._inputs.append(entry)

        def come(cycle: int) -> None:
            entry.begin = cycle
            entry.end = give(cycle)
            self.tell(cycle)

        try:
            self._machine.when(entry.moment, come)
        except SimkitError as error:
            raise of_option(f"{entry.option} {entry.text!r}", error) from error

    def _entry(self, option: str, text: str, moment: Moment) -> _Input:
        try:
            return _Input(option, text, moment, waited_for(self._machine, moment))
        except SimkitError as error:
            raise of_option(f"{option} {text!r}", error) from error

    def _moment(self, option: str, text: str) -> tuple[str, Moment]:
        remedy = 'Write "TEXT@2s"; an @ that is part of the text is written \\@.'
        moment = POWER_ON
        try:
            at = _last_unquoted(text, "@")
            if at is not None:
                moment = moment_of(self._screen, text[at + 1 :])
            remedy = ""
            return _unescaped(text if at is None else text[:at]), moment
        except SimkitError as error:
            remedy = f"{remedy} {error.remedy or ''}".strip()
            raise SimkitError(f"{option} {text!r}: {error.message}", lines=error.lines, remedy=remedy) from error

    def _type(self, text: str) -> None:
        from simkit.machine.views import Keys, Serial

        typed, moment = self._moment("--type", text)
        machine = self._machine
        if machine.ports(Keys) or not machine.ports(Serial):
            keys = machine.keys
            keys.strokes(typed)  # what no key gives is told now
            self._when(self._entry("--type", text, moment), lambda cycle: keys.type(typed, at=cycle))
        else:
            self._over_line("--type", text, typed.replace("\n", "\r"), moment)  # the enter key of a terminal

    def _send(self, text: str) -> None:
        typed, moment = self._moment("--send", text)
        self._over_line("--send", text, typed, moment)

    def _over_line(self, option: str, text: str, sent: str, moment: Moment) -> None:
        from simkit.machine.views import Serial

        plug = self._machine.port(Serial, self._terminal_slot, option="--terminal-slot")
        try:
            content = sent.encode("ascii" if option == "--type" else "latin-1")
        except UnicodeEncodeError:
            carried = "ASCII" if option == "--type" else "bytes"
            raise SimkitError(
                f"{option} {text!r}: the serial line carries {carried}.",
                remedy="Leave other letters out; --send takes any byte as \\x00 to \\xFF.",
            ) from None

        def give(cycle: int) -> int:
            plug.send(content, at=cycle)
            return cycle

        entry = self._entry(option, text, moment)
        entry.plug, entry.size = plug, len(content)
        self._when(entry, give)

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
        first, last = self._from_to(text, match[3])

        def press(cycle: int) -> int:
            pad.press(*buttons, at=cycle)
            if last is not None and last.kind and _same_event(first, last):
                later = sum(span_cycles(machine, span) for span in last.after[len(first.after) :])
                pad.release(*buttons, at=cycle + later)
                return cycle + later
            if last is not None and last.kind:
                self._when_let_go(text, last, release)
            return cycle

        def release(cycle: int) -> int:
            pad.release(*buttons, at=cycle)
            return cycle

        self._when(self._entry("--pad", text, first), press)
        if last is not None:
            self._entry("--pad", text, last)  # a wrong label is told now
            if not last.kind:
                self._when_let_go(text, last, release)

    def _when_let_go(self, text: str, last: Moment, release: Callable[[int], int]) -> None:
        entry = self._entry("--pad", text, last)
        entry.holds = True
        self._when(entry, release)

    def _from_to(self, text: str, moments: str) -> tuple[Moment, Moment | None]:
        try:
            at = _last_unquoted(moments, "..")
            first = moment_of(self._screen, moments if at is None else moments[:at])
            if at is None:
                return first, None
            last = of_screen(self._screen, parse_end(moments[at + 2 :], first))
            begin, end = (
                sum(span_cycles(self._machine, span) for span in one.after) if not one.kind else None
                for one in (first, last)
            )
        except SimkitError as error:
            raise of_option(f"--pad {text!r}", error) from error
        if begin is not None and end is not None and end <= begin:
            raise SimkitError(f"--pad {text!r} ends before it begins.", remedy="Write the earlier time first.")
        return first, last


def _begin(one: _Input) -> int:
    return one.begin or 0


def _same_event(first: Moment, last: Moment) -> bool:
    """Whether the one is so long after the other."""
    own = attrs.evolve(last, after=last.after[: len(first.after)])
    return own == first and len(last.after) > len(first.after)


def _last_unquoted(text: str, sign: str) -> int | None:
    """Where a sign stands last outside of double quotes and not behind a backslash; quotes are counted from the end.

    Raises:
        SimkitError: only a quotation without an end hides it.
    """
    first_hidden = None
    at = text.rfind(sign)
    while at >= 0:
        before = len(text[:at]) - len(text[:at].rstrip("\\"))
        if before % 2 == 0:
            if _quotes(text[at + len(sign) :]) % 2 == 0:
                return at
            first_hidden = at
        at = text.rfind(sign, 0, at)
    if first_hidden is not None and _quotes(text[:first_hidden]) % 2 == 0:
        raise SimkitError("A quotation has no end.", remedy='Write " behind it, and \\" for a quote in it.')
    return None


def _quotes(text: str) -> int:
    return re.sub(r"\\.", "", text, flags=re.DOTALL).count('"')


def _unescaped(text: str) -> str:
    r"""\n, \t, \r, \b, \e, \xNN and what else stands behind a backslash, itself.

    Raises:
        SimkitError: \x without two hex digits.
    """
    plain = re.sub(r"\\[^x]", "", text, flags=re.DOTALL)
    if wrong := _WRONG_ESCAPE.search(plain):
        raise SimkitError(f"{wrong[0]!r} is no byte.", remedy="Write two hex digits behind \\x, as in \\x1A.")
    return re.sub(
        r"\\(?:x([0-9A-Fa-f]{2})|(.))",
        lambda match: chr(int(match[1], 16)) if match[1] else _ESCAPES.get(match[2], match[2]),
        text,
        flags=re.DOTALL,
    )
