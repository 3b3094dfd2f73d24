"""What is done to a machine from the command line: texts typed and pad buttons held, each at its time."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from simkit.contract.clock import parse_duration
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine

if TYPE_CHECKING:
    from simkit.machine.views import Screen

ParseTime = Callable[[str], int]
"""Cycle of a moment written as a duration since power-on."""

_PAD = re.compile(r"([0-9]{1,9})=([^@]+)@(.+)")
_ESCAPES = {"n": "\n", "t": "\t", "\\": "\\", "b": "\b", "e": "\x1b"}


def cycles_of(machine: Machine, screen: Screen | None, text: str) -> int:
    """Cycles of a duration; frames are those of the screen, if there is one.

    Raises:
        SimkitError: it says no duration.
    """
    from simkit.machine.views import Screen

    if screen is None and text.strip().endswith("f"):
        screen = machine.port(Screen, option="--screen")
    return parse_duration(text, machine.clock_hz, screen.frame_cycles if screen else None)


def schedule(machine: Machine, screen: Screen | None, typed: Sequence[str], pads: Sequence[str]) -> None:
    """Queue what is typed and held."""
    for text in typed:
        schedule_typing(machine, text, lambda when: cycles_of(machine, screen, when))
    for text in pads:
        schedule_pad(machine, text, lambda when: cycles_of(machine, screen, when))


def schedule_run(machine: Machine, length: str, typed: Sequence[str], pads: Sequence[str]) -> int:
    """As `schedule`; gives the cycles of a run as long as asked."""
    schedule(machine, None, typed, pads)
    return cycles_of(machine, None, length)


def schedule_typing(machine: Machine, text: str, moment: ParseTime) -> None:
    r"""Type a text on the only keyboard: "TEXT" from power-on, "TEXT@2s" from that time on; \n is the enter key.

    A machine with a serial card and no keyboard gets it over the line, as from a terminal, whose enter key sends a
    carriage return (common practice).

    Raises:
        SimkitError: no time after the last @, a character that no key gives or the line does not carry.
    """
    written, at, when = text.rpartition("@")
    if not at:
        written, start = text, 0
    else:
        try:
            start = moment(when)
        except SimkitError as error:
            raise SimkitError(
                f"--type {text!r}: {error.message}", remedy='Write "TEXT@2s"; a text with an @ needs its time, too.'
            ) from error
    from simkit.machine.views import Keys, Serial

    typed = _unescaped(written)
    if machine.ports(Keys) or not machine.ports(Serial):
        machine.keys.type(typed, at=start)
        return
    if not typed.isascii():
        raise SimkitError(f"--type {text!r}: the serial line carries ASCII.", remedy="Leave other letters out.")
    machine.serial.send(typed.replace("\n", "\r").encode("ascii"), at=start)


def _unescaped(text: str) -> str:
    return re.sub(r"\\(.)", lambda match: _ESCAPES.get(match[1], match[0]), text)


def schedule_pad(machine: Machine, text: str, moment: ParseTime) -> None:
    """Hold pad buttons: "1=right+a@1.5s..2s", or "1=right@1.5s" to the end of the run.

    Raises:
        SimkitError: not of that form, no such pad or button, or an end before the start.
    """
    match = _PAD.fullmatch(text.strip())
    if match is None:
        raise SimkitError(
            f"--pad {text!r} does not say PAD=BUTTONS@FROM..TO.", remedy='Write e.g. --pad "1=right+a@1.5s..2s".'
        )
    pad = machine.pads[int(match[1])]
    buttons = [button.strip() for button in match[2].split("+")]
    first, dots, last = match[3].partition("..")
    try:
        start = moment(first)
        end = moment(last) if dots else None
    except SimkitError as error:
        raise SimkitError(f"--pad {text!r}: {error.message}", remedy=error.remedy) from error
    if end is not None and end <= start:
        raise SimkitError(f"--pad {text!r} ends before it begins.", remedy="Write the earlier time first.")
    pad.press(*buttons, at=start)
    if end is not None:
        pad.release(*buttons, at=end)
