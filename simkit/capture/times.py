"""Times and rates as files say them: columns of times as whole picoseconds."""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from simkit.capture.tokens import Bytes, Places
from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError

PICOSECOND = Fraction(1, 10**12)
FURTHEST = 9 * 10**18
"""Picoseconds, a hundred days."""


def rate_said(text: str) -> Fraction | None:
    """The rate in Hz that a file says, as "24 MHz" or "1 GHz"; None where it cannot be meant."""
    try:
        return parse_hz(re.sub(r"(?i)\s*GHz", "000 MHz", text.strip()))
    except SimkitError:
        return None


def in_picoseconds(
    data: bytes, text: Bytes, begins: Places, ends: Places, unit: Fraction, *, comma: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Numbers in a unit (whole picoseconds) as picoseconds, and which of the words are such.

    Args:
        data, text: the same, as bytes and as numbers.
        begins, ends: of the words.
        unit: in seconds.
        comma: whether a comma may stand for the point.
    """
    length = ends - begins
    negative = text[begins] == ord("-")
    begins = begins + (negative | (text[begins] == ord("+")))
    value = np.zeros(len(begins), np.int64)
    decimals = np.full(len(begins), -1, np.int64)
    digits = np.zeros(len(begins), np.int64)
    good = length > 0
    odd = np.zeros(len(begins), np.bool_)
    length = ends - begins
    for place in range(min(int(length.max(initial=0)), 22)):
        there = length > place
        letter = text[np.where(there, begins + place, begins)]
        digit = (letter >= 48) & (letter <= 57) & there
        value = np.where(digit & (digits < 18), value * 10 + (letter - np.uint8(48)), value)
        counted = digit & (digits < 18)
        decimals += (decimals >= 0) & counted
        digits += counted & (value > 0)
        point = ((letter == ord(".")) | (letter == ord(",") if comma else np.False_)) & there
        odd |= there & ~digit & ~point | (point & (decimals >= 0))
        decimals = np.where(point & (decimals < 0), 0, decimals)
    odd |= length > 22
    decimals = np.maximum(decimals, 0)
    scale = round(float(unit / PICOSECOND))
    power = np.power(10.0, decimals)
    exact = (decimals <= 12) & (value < FURTHEST // scale)
    whole = np.where(exact, value, 0) * scale
    about = value / power * scale
    good &= about < FURTHEST
    rounded = np.rint(np.minimum(about, FURTHEST)).astype(np.int64)
    ticks = np.where(exact, whole // np.power(10, np.minimum(decimals, 12)), rounded)
    for at in np.flatnonzero(odd):  # exponents, or no numbers
        word = data[begins[at] : ends[at]].replace(b",", b".") if comma else data[begins[at] : ends[at]]
        try:
            ticks[at] = round(float(word) * float(unit / PICOSECOND))
            good[at] = abs(int(ticks[at])) < FURTHEST
        except (ValueError, OverflowError):
            good[at] = False
    return np.where(negative, -ticks, ticks), good & (length > 0)
