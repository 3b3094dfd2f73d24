"""The declarations of a value change dump: its time scale, its variables, and what comments say of the rate."""

from __future__ import annotations

import re
from fractions import Fraction

import attrs

from simkit.capture.samples import MOST_CHANNELS
from simkit.capture.times import rate_said
from simkit.contract.errors import SimkitError, shown

UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
_COMMAND = re.compile(rb"\$(\w+)(?=\s)(.*?)(?<=\s)\$end(?=\s|\Z)", re.DOTALL)
_SCALE = re.compile(r"\s*(1|10|100)\s*([munpf]?s)\s*")
_RATE = re.compile(r"\bat ([0-9.]+ ?[kMG]?Hz)\b", re.IGNORECASE)
_RANGE = re.compile(r"\s*\[\s*(-?[0-9]{1,6})\s*(?::\s*(-?[0-9]{1,6})\s*)?\]\s*\Z")
_NO_WIRES = frozenset({"real", "realtime", "string", "event", "real_parameter"})


@attrs.frozen
class Variable:
    """A variable as declared: its code, and the name of each of its bits, the lowest first; none if it is no wire."""

    code: str
    bits: tuple[str, ...]


@attrs.frozen
class Header:
    """What stands before the changes.

    Attributes:
        tick: the time scale, in seconds.
        variables: all of them.
        rate: sampling rate in Hz where a comment says so.
    """

    tick: Fraction
    variables: tuple[Variable, ...]
    rate: Fraction | None


def looks_like_vcd(head: bytes) -> bool:
    """Whether the beginning of a file is that of a dump."""
    return re.match(rb"(\xef\xbb\xbf)?\s*\$(date|version|comment|timescale|scope|var|attrbegin)\s", head) is not None


def read_header(text: bytes, file: str) -> Header:
    """Read the declarations, up to and with `$enddefinitions $end`.

    Raises:
        SimkitError: something in them cannot be meant; with the line.
    """
    tick, rate, scopes = Fraction(1, 10**9), None, list[str]()
    found: list[tuple[str, list[str], list[str]]] = []  # code, scopes, names of the bits
    for command in _COMMAND.finditer(text):
        word, inside = command[1].decode("latin-1"), _decoded(command[2]).strip()
        line = text.count(b"\n", 0, command.start()) + 1
        if word == "timescale":
            scale = _SCALE.fullmatch(inside)
            if scale is None:
                raise SimkitError(
                    f"The time scale {shown(inside)} is none.", file=file, line=line, remedy="Write e.g. 10 ns."
                )
            tick = Fraction(int(scale[1]), 10 ** UNITS[scale[2]])
        elif word == "comment" and (said := _RATE.search(inside)) is not None:
            rate = rate_said(said[1])
        elif word == "scope":
            scopes.append(" ".join(inside.split()[1:]))
        elif word == "upscope" and scopes:
            scopes.pop()
        elif word == "var":
            parts = inside.split(None, 3)
            if len(parts) < 4 or not parts[1].isdigit() or len(parts[1]) > 6:
                raise SimkitError(
                    "A variable has type, width, code and name.", file=file, line=line, remedy="Export it again."
                )
            kind, width, code, name = parts
            bits = _bits(name, int(width)) if kind not in _NO_WIRES else []
            found.append((code, [each for each in scopes if each], bits))
    return Header(tick, tuple(_named(found)), rate)


def _bits(name: str, width: int) -> list[str]:
    """Names of the bits, the lowest first: of one alone the name as it is, of a vector that with the bit's number."""
    name = name.strip().removeprefix("\\").strip()
    if width <= 1:
        return [name]
    limits = _RANGE.search(name)
    stem = name[: limits.start()].strip() if limits else name
    high, low = (int(limits[1]), int(limits[2])) if limits and limits[2] else (width - 1, 0)
    step = 1 if high >= low else -1
    return [f"{stem}[{low + step * bit}]" for bit in range(min(width, 4 * MOST_CHANNELS))]


def _named(found: list[tuple[str, list[str], list[str]]]) -> list[Variable]:
    """Variables with names of which no two are the same: scopes stand before those that would be."""
    first = [bits[0] if bits else "" for _, _, bits in found]
    seen: dict[str, set[str]] = {}
    for (code, _, _), name in zip(found, first, strict=True):
        seen.setdefault(name, set()).add(code)
    variables = []
    for (code, scopes, bits), name in zip(found, first, strict=True):
        before = ".".join([*scopes, ""]) if len(seen[name]) > 1 else ""
        variables.append(Variable(code, tuple(before + bit for bit in bits)))
    return variables


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")
