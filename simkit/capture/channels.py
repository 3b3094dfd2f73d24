"""The file that says which channel of a capture is which line of the bus, and how the capture is to be read.

    [channels]                       # channel = "LINE", or "not LINE" where it is inverted
    "Channel 0" = "PHI2"
    "CH1..CH8" = "D0..D7"            # as many lines as channels, in their order
    data = "D0..D7"                  # a vector of a dump: its bits, the lowest first
    "Channel 9" = "not IRQ"
    "Channel 10" = "4.select"

    [capture]                        # all of it only where it is needed
    rate = "24 MHz"                  # sampling rate, where the file does not say it
    time = "us"                      # unit of the column of times, where its head does not say it
    synchronous = true               # a sample is a bus cycle: the analyser was clocked by the bus
    clock = "CH3 rising"             # instead of a channel that is PHI2: which edge ends a bus cycle
    glitch = "20 ns"                 # pulses shorter than this are none
    set_up = "200 ns"                # data are valid so long before PHI2 falls; a seventh of a cycle if not said
    stretched = true                 # the machine holds PHI2 for slow cards
    header = "bus-lines 1 cycles address data RW"   # of bus lines that come without one
    dense = true                     # session archives: the n-th channel listed is bit n - 1

Without such a file, channels that bear the name of a line are that line.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.clock import parse_hz
from simkit.contract.errors import Errors, SimkitError, near, shown
from simkit.contract.lines import SYSTEM_LINES
from simkit.machinefile.tomlfile import Toml, read_toml

CLOCK = "PHI2"
CPU_LINES = (*ADDRESS_LINES, *DATA_LINES, "RW", CLOCK, "SYNC", *SYSTEM_LINES, "VPB", "MLB")
"""Lines that every backplane has."""
PIN_NAMES = {"RWB": "RW", "R/W": "RW", "R/WB": "RW", "IRQB": "IRQ", "NMIB": "NMI", "RESB": "RESET", "RES": "RESET"}
PIN_NAMES |= {"RESETB": "RESET", "RST": "RESET", "SOB": "SO", "PHI2O": CLOCK, "VP": "VPB", "ML": "MLB", "CLK": CLOCK}
"""Other names that are taken for a line: those of the pins (Western Design Center, W65C02S data sheet, section 3), and
RST, R/W, CLK, VP, ML, RES from common practice."""
TIME_UNITS = {"s": Fraction(1), "ms": Fraction(1, 10**3), "us": Fraction(1, 10**6), "ns": Fraction(1, 10**9)}
TIME_UNITS |= {"ps": Fraction(1, 10**12)}
_KNOWN_BY = ("channels", "capture")
_OF_CAPTURE = {"rate": str, "time": str, "synchronous": bool, "clock": str, "glitch": str, "set_up": str}
_OF_CAPTURE |= {"stretched": bool, "dense": bool, "header": str}
_RANGE = re.compile(r"(.*?)(\d{1,4})(\D*)\.\.(.*?)(\d{1,4})(\D*)")
_PIN = re.compile(r"[1-9][0-9]?\.[A-Za-z_][A-Za-z0-9_.]*")
_IN_A_SLOT = re.compile(r"(?:.*\.)?slot_([1-9][0-9]?)(?:_[^.]*)?\.([A-Za-z_][A-Za-z0-9_]*)")
"""How our own dumps name the pin of a card, by scopes."""
_DURATION = re.compile(r"\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(s|ms|us|ns|ps)\s*")


@attrs.frozen
class Assignment:
    """A channel that is a line; and in which line of the channel file that stands."""

    channel: str
    line: str
    inverted: bool = False
    number: int | None = attrs.field(default=None, eq=False)


@attrs.frozen(kw_only=True)
class Reading:
    """How a capture is to be read; what is None or empty the file says itself, or it can do without.

    Attributes:
        assigned: which channel is which line; None: channels that bear the name of a line are that line.
        file: where that stands, for messages.
        rate: samples a second, in Hz.
        unit: of a column of times, in seconds.
        synchronous: each sample is a bus cycle.
        glitch: seconds; shorter pulses are taken away.
        set_up: seconds that data are valid before PHI2 falls.
        stretched: PHI2 may last longer than usual, and no cycle is missing there.
        dense: see above.
        header: of bus lines without one.
    """

    assigned: tuple[Assignment, ...] | None = None
    file: str = ""
    rate: Fraction | None = None
    unit: Fraction | None = None
    synchronous: bool = False
    glitch: Fraction | None = None
    set_up: Fraction | None = None
    stretched: bool = False
    dense: bool = False
    header: str = ""


def read_channels(path: Path, lines: Collection[str] = ()) -> Reading:
    """Read such a file.

    Args:
        path: of it.
        lines: names of the lines of the machine besides those that every backplane has; none: any name will do.

    Raises:
        FileError: the system does not let it be read.
        SimkitError, SeveralErrors: it says something that cannot be; with file and line.
    """
    toml = read_toml(path, "channel file", _KNOWN_BY)
    errors = Errors()
    for key in toml.data:
        if key not in _KNOWN_BY or not isinstance(toml.data[key], dict):
            what = "is not a table" if key in _KNOWN_BY else "is unknown in a channel file"
            errors.add(_wrong(toml, (key,), f"{shown(key)} {what}.", near(key, _KNOWN_BY) or "Write [channels]."))
    errors.raise_any()
    given = _options(toml, errors)
    clock = given.pop("clock", None)
    assigned = _assigned(toml, lines, errors)
    if clock is not None:
        assigned.append(attrs.evolve(clock, number=toml.place("capture", "clock").line))
    if sum(each.line == CLOCK for each in assigned) > 1:
        errors.add(_wrong(toml, ("capture", "clock"), "The clock is given twice.", "Leave out clock, or PHI2."))
    errors.raise_any()
    return Reading(assigned=tuple(assigned) or None, file=str(path), **given)


def _options(toml: Toml, errors: Errors) -> dict[str, Any]:
    given: dict[str, Any] = {}
    for key, value in toml.data.get("capture", {}).items():
        kind = _OF_CAPTURE.get(key)
        if kind is None:
            errors.add(_wrong(toml, ("capture", key), f"{shown(key)} is unknown here.", near(key, _OF_CAPTURE)))
        elif type(value) is not kind:
            word = "text in quotes" if kind is str else "true or false"
            errors.add(_wrong(toml, ("capture", key), f"{key} is {word}, not {shown(value)}.", f"Write {word}."))
        else:
            try:
                name, read = _option(key, value)
                given[name] = read
            except SimkitError as error:
                errors.add(_wrong(toml, ("capture", key), f"{key}: {error.message}", error.remedy or ""))
    return given


def _option(key: str, value: Any) -> tuple[str, Any]:
    if key == "rate":
        return "rate", parse_hz(value)
    if key == "time":
        if value not in TIME_UNITS:
            raise SimkitError(f"{shown(value)} is no unit.", remedy=f"Write one of {', '.join(TIME_UNITS)}.")
        return "unit", TIME_UNITS[value]
    if key in ("glitch", "set_up"):
        return key, _duration(value)
    if key == "clock":
        channel, _, edge = value.strip().rpartition(" ")
        if edge not in ("falling", "rising") or not channel:
            raise SimkitError(
                f"{shown(value)} is no edge of a channel.", remedy='Write the edge that ends a cycle: "CH3 falling".'
            )
        return "clock", Assignment(channel.strip(), CLOCK, edge == "rising")
    return key, value


def _duration(text: str) -> Fraction:
    found = _DURATION.fullmatch(text)
    if found is None:
        raise SimkitError(f"{shown(text)} is no time.", remedy='Write e.g. "20 ns".')
    return Fraction(found[1]) * TIME_UNITS[found[2]]


def _assigned(toml: Toml, lines: Collection[str], errors: Errors) -> list[Assignment]:
    found: list[Assignment] = []
    taken: dict[str, str] = {}
    for channel, said in toml.data.get("channels", {}).items():
        if not isinstance(said, str):
            errors.add(_wrong(toml, ("channels", channel), f"{shown(said)} is no line.", 'Write e.g. "D0", "not IRQ".'))
            continue
        inverted = said.strip().startswith("not ")
        text = said.strip().removeprefix("not ").strip()
        names, channels = expanded(text), expanded(channel)
        if len(channels) == 1 and len(names) > 1:
            channels = [f"{channel}[{bit}]" for bit in range(len(names))]  # a vector
        if len(names) != len(channels):
            message = f"{shown(channel)} are {len(channels)} channels, {shown(text)} are {len(names)} lines."
            errors.add(_wrong(toml, ("channels", channel), message, "Name as many lines as channels."))
            continue
        for one, name in zip(channels, names, strict=True):
            try:
                line = _line(name, lines)
                if line in taken:
                    raise SimkitError(
                        f"{line} is given to {taken[line]} as well.", remedy="A line has one channel; leave one out."
                    )
                taken[line] = one
                found.append(Assignment(one, line, inverted, toml.place("channels", channel).line))
            except SimkitError as error:
                errors.add(_wrong(toml, ("channels", channel), error.message, error.remedy or ""))
    return found


def expanded(text: str) -> list[str]:
    """Names of a range, "A0..A3" or "d[7]..d[0]"; or the one name."""
    found = _RANGE.fullmatch(text)
    if found is None or (found[1], found[3]) != (found[4], found[6]):
        return [text]
    first, last = int(found[2]), int(found[5])
    step = 1 if last >= first else -1
    if abs(last - first) > 255:
        return [text]
    return [f"{found[1]}{number}{found[3]}" for number in range(first, last + step, step)]


def line_named(name: str) -> str | None:
    """The line that a channel's name means by itself: "a0", "A[0]", "/IRQ", "RWB", "slot_4.select"; None for none."""
    if (pin := _IN_A_SLOT.fullmatch(name)) is not None:
        return f"{pin[1]}.{pin[2]}"
    plain = re.sub(r"\[\s*(\d+)\s*\]\Z", r"\1", name.strip().lstrip("/~!").strip().upper())
    plain = re.sub(r"\A(ADDRESS|ADDR|DATA)_?(?=\d)", lambda found: found[1][0], plain)
    plain = PIN_NAMES.get(plain, plain)
    return plain if plain in CPU_LINES else None


def _line(name: str, lines: Collection[str]) -> str:
    """The line, as it is called."""
    if name in CPU_LINES or name in lines or _PIN.fullmatch(name):
        return name
    known = line_named(name)
    if known is not None:
        return known
    if lines or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name):
        remedy = near(name, [*CPU_LINES, *lines]) or "Write a line of the bus, or 4.INT for a pin of slot 4."
        raise SimkitError(f"There is no line {shown(name)}.", remedy=remedy)
    return name


def chosen(
    names: Sequence[str], reading: Reading, file: str, *, are_lines: bool = False
) -> list[tuple[int, Assignment]]:
    """Which channels of a capture are lines: index and line, in the order of the lines as they are given.

    Args:
        names: of all channels.
        reading: what the user says.
        file: the capture, for messages.
        are_lines: whether channels bear names of lines, whatever these are, where the user says nothing.

    Raises:
        SimkitError, SeveralErrors: a channel that is named is not there, or none is a line.
    """
    if reading.assigned is None:
        found: dict[str, tuple[int, Assignment]] = {}
        for at, name in enumerate(names):
            line = name if _PIN.fullmatch(name) else line_named(name) or (name if are_lines else None)
            if line is not None:
                found.setdefault(line, (at, Assignment(name, line)))
        if not found:
            listed = ", ".join(names[:24]) + (", …" if len(names) > 24 else "")
            raise SimkitError(
                f"No channel bears the name of a line; they are {listed}.",
                file=file,
                remedy='Say which is which in a channel file: [channels], "NAME" = "PHI2".',
            )
        return list(found.values())
    errors, places = Errors(), {name: at for at, name in reversed(list(enumerate(names)))}
    result = []
    for each in reading.assigned:
        place = places.get(each.channel, _loosely(each.channel, names))
        if place is None:
            errors.add(
                SimkitError(
                    f"The capture {file} has no channel {shown(each.channel)} (for {each.line}).",
                    file=reading.file or None,
                    line=each.number,
                    remedy=near(each.channel, names) or f"Its channels are {', '.join(names[:24])}.",
                )
            )
        else:
            result.append((place, each))
    errors.raise_any()
    return result


def _loosely(channel: str, names: Sequence[str]) -> int | None:
    """The one channel whose name is the same but for its scopes, blanks and the case of its letters."""
    wanted = channel.replace(" ", "").lower()
    same = [at for at, name in enumerate(names) if name.replace(" ", "").lower() == wanted]
    ends = [at for at, name in enumerate(names) if name.replace(" ", "").lower().endswith(f".{wanted}")]
    return (same or ends)[0] if len(same or ends) == 1 else None


def _wrong(toml: Toml, path: tuple[str, ...], message: str, remedy: str) -> SimkitError:
    place = toml.place(*path)
    return SimkitError(message, file=place.file, line=place.line, remedy=remedy or None)
