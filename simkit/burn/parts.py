"""Parts that ROMs are burnt into, by the number printed on them.

Sizes: the part number gives the size in kilobits (2716 has 16, 27C256 and 28C256 have 256, 27C010 and 39SF010 have
1024); common practice of the trade, as makers' data sheets print it on their first page.
"""

from __future__ import annotations

import re

import attrs

from simkit.contract.errors import SimkitError, near
from simkit.rom.images import PART_SIZES

KILO = 1024

_FAMILIES = {
    "27": {16: 2, 32: 4, 64: 8, 128: 16, 256: 32, 512: 64, 10: 128, 1: 128, 20: 256, 2: 256, 40: 512, 4: 512},
    "28": {16: 2, 64: 8, 256: 32, 10: 128},
    "29": {256: 32, 512: 64, 10: 128, 20: 256, 40: 512},
    "39": {512: 64, 10: 128, 20: 256, 40: 512},
}
"""KiB by family and number: 27 EPROM, 28 EEPROM, 29 and 39 flash."""

_NUMBER = re.compile(r"(?:[A-Z]{0,3})(27|28|29|39)(?:C|HC|SF|F|EE|LV|VF|CF)?0*(\d{1,3})[A-Z]?(?:-\d{1,4}[A-Z]{0,4})?")
NAMES = (
    "2716",
    "2732",
    "2764",
    "27128",
    "27256",
    "27512",
    "27C010",
    "27C020",
    "27C040",
    "28C16",
    "28C64",
    "28C256",
    "28C010",
    "29F010",
    "29F040",
    "39SF010",
    "39SF020",
    "39SF040",
)
"""Numbers that messages offer."""


@attrs.frozen
class Part:
    """A part.

    Attributes:
        name: as written.
        size: bytes.
    """

    name: str
    size: int


def part_named(name: str) -> Part:
    """The part of that number; maker's prefix and speed grade may stand with it ("AT28C256-15PU").

    Raises:
        SimkitError: not a number that is known.
    """
    match = _NUMBER.fullmatch(name.strip().upper())
    size = _FAMILIES[match[1]].get(int(match[2])) if match is not None else None
    if size is None:
        raise SimkitError(
            f"{name!r} is no part that is known.",
            remedy=f"{near(name.upper(), NAMES) or ''} Or give the size in bytes: --part 32768.".strip(),
        )
    return Part(name.strip(), size * KILO)


def _size(text: str) -> int | None:
    """The size that a text says, unless it is a part number or nothing of the kind."""
    if re.fullmatch(r"(?:0[xX]|\$)[0-9A-Fa-f]{1,8}", text):
        return int(text.removeprefix("$").removeprefix("0x").removeprefix("0X"), 16)
    if re.fullmatch(r"[0-9]{4,12}", text) and text not in NAMES:
        return int(text)
    return None


def part_or_size(text: str) -> Part:
    """A part by its number, or a bare size in bytes, decimal or hexadecimal (0x8000, $8000).

    Raises:
        SimkitError: neither.
    """
    size = _size(text.strip())
    if size is not None:
        if size not in PART_SIZES:
            first, *_, last = PART_SIZES
            raise SimkitError(f"No part has {text} bytes.", remedy=f"Sizes are powers of two from {first} to {last}.")
        return Part(f"{size // KILO} KiB part", size)
    return part_named(text)
