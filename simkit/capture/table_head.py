"""What stands before the rows of a table (CSV): names of channels, and how times are counted, as far as it is said."""

from __future__ import annotations

import csv
import re
from fractions import Fraction

import attrs

from simkit.capture.channels import TIME_UNITS, Reading
from simkit.capture.times import rate_said
from simkit.contract.errors import SimkitError, shown

HEAD_BYTES = 65_536
"""In which the header and the first row must stand."""
_RATE = re.compile(r"sample ?rate:?\s*([0-9.]+ ?[kMG]?Hz)", re.IGNORECASE)
_CHANNELS = re.compile(r"channels? \([0-9]+/[0-9]+\):\s*(.*)", re.IGNORECASE)
_NUMBER = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]*)?(?:[eE][-+]?[0-9]+)?")
LEVEL = re.compile(r"[01xX]")
_TIMES = re.compile(r"(?<![a-z])(time|seconds?)(?![a-z])", re.IGNORECASE)
_TICKS = re.compile(r"\s*(ticks?|samples?|index|sample (number|index))\s*", re.IGNORECASE)
_UNIT = re.compile(r"[\[(/_ ]\s*(s|sec|ms|us|µs|ns|ps)\s*[\])]?\s*\Z", re.IGNORECASE)
_WORDS = {"seconds": "s", "milliseconds": "ms", "microseconds": "us", "nanoseconds": "ns", "picoseconds": "ps"}


@attrs.frozen
class Head:
    """What stands before the rows.

    Attributes:
        names: of the channels.
        separator: between columns.
        times: None: no such column; "ticks", or a unit in seconds; 0 where the unit is not said.
        rate: in Hz, where a comment says it.
        lines: that stand before the first row.
        by_session_tool: whether times are those of the session tool.
    """

    names: tuple[str, ...]
    separator: str
    times: Fraction | str | None
    rate: Fraction | None
    lines: int
    by_session_tool: bool


def looks_like_table(head: bytes) -> bool:
    """Whether the beginning of a file may be that of a table."""
    lines = _lines(head)
    return any(_row(line) is not None and len(_row(line) or ()) > 1 for line in lines if not _is_comment(line)) or any(
        re.search("[,;\t]", line) for line in lines[:50]
    )


def _lines(head: bytes) -> list[str]:
    try:
        text = head.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = head.decode("latin-1").removeprefix("ï»¿")
    return [line.rstrip("\r") for line in text.split("\n")]


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith((";", "#")) or not line.strip()


def _separator(line: str) -> str:
    return "\t" if "\t" in line else ";" if ";" in line else ","


def fields_of(line: str) -> list[str]:
    """Fields of a line, without the quotes round them; a separator at the end begins none."""
    separator = _separator(line)
    try:
        row = next(csv.reader([line], delimiter=separator, skipinitialspace=True))
    except (csv.Error, StopIteration):
        row = line.split(separator)
    fields = [field.strip() for field in row]
    return fields[:-1] if len(fields) > 1 and not fields[-1] else fields


def _row(line: str) -> list[str] | None:
    """Fields of a row of values; None for any other line."""
    fields = fields_of(line)
    return fields if fields and all(LEVEL.fullmatch(each) or _NUMBER.fullmatch(each) for each in fields) else None


def read_head(head: bytes, file: str, reading: Reading) -> Head:
    """Read what stands before the rows.

    Raises:
        SimkitError: it is not a table of levels, or does not say enough.
    """
    rate, listed, header, first, before = None, None, None, None, 0
    lines = _lines(head)
    session = "libsigrok" in lines[0]
    for number, line in enumerate(lines):
        if _is_comment(line):
            if (said := _RATE.search(line)) is not None:
                rate = rate_said(said[1])
            if (said := _CHANNELS.search(line)) is not None:
                listed = [name.strip() for name in said[1].split(",")]
        elif (row := _row(line)) is not None and (header is None or len(row) == len(header) or _is_hex_free(line)):
            first, before = row, number
            break
        else:
            fields = fields_of(line)
            if header is not None and len(fields) == len(header) and _NUMBER.fullmatch(fields[0]):
                first, before = fields, number  # a row, of which something is no level
                break
            header = fields
    if first is None:
        raise SimkitError(
            "No row of levels is found in the table.", file=file, remedy="Export digital channels, 0 and 1, as CSV."
        )
    if header is None or len(header) != len(first):
        header = [*(["time"] if not LEVEL.fullmatch(first[0]) else [])]
        header += [f"column {number}" for number in range(len(header) + 1, len(first) + 1)]
    times = _times(header[0], first[0], session)
    names = header[1:] if times is not None else header
    if listed is not None and len(listed) == len(names):
        names = listed
    for at, (name, field) in enumerate(zip(names, first[times is not None :], strict=True), start=1):
        if not LEVEL.fullmatch(field):
            raise SimkitError(
                f"Channel {at}, {shown(name)}, holds {shown(field)}: not a level 0, 1 or X.",
                file=file,
                line=before + 1,
                remedy="Export the digital channels, a column each: analog values and buses cannot be read.",
            )
    if not names:
        raise SimkitError("The table has no channels.", file=file, remedy="Export the digital channels, a column each.")
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise SimkitError(f"Two channels are called {shown(twice)}.", file=file, remedy="Give them other names.")
    if times == Fraction(0) and reading.unit is None and not (session and rate):
        raise SimkitError(
            f"The column {shown(header[0])} does not say in what its times are.",
            file=file,
            line=before,
            remedy='Say it in the channel file: [capture], time = "us".',
        )
    return Head(tuple(names), _separator(lines[before]), times, rate, before, session)


def _is_hex_free(line: str) -> bool:
    return not re.search(r"[a-fA-F$]", line)


def _times(name: str, value: str, session: bool) -> Fraction | str | None:
    """What the first column is; see Head."""
    word = name.strip().strip('"').lower()
    if word in _WORDS:
        return TIME_UNITS[_WORDS[word]]
    if _TICKS.fullmatch(word):
        return "ticks"
    if _TIMES.search(word) or not LEVEL.fullmatch(value):
        unit = _UNIT.search(word)
        if unit is None:
            return Fraction(0)
        said = unit[1].lower().replace("µ", "u")
        return TIME_UNITS["s" if said == "sec" else said]
    return None
