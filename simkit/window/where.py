"""Places of the program in words: address, nearest label, source line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

FURTHEST = 0xFF
"""Bytes behind a label up to which an address is named after it."""


def place_words(machine: Machine, address: int) -> str:
    """An address with what is known of it: "$8003 (start+3, main.asm:12)"."""
    listing = machine.source_lines.listing
    row = listing.row(address) if listing is not None else None
    label = _label(machine.labels.names(), address)
    source = f"{Path(row.file).name}:{row.line}" if row is not None else None
    known = ", ".join(part for part in (label, source) if part)
    return f"${address:04X}{f' ({known})' if known else ''}"


def _label(names: dict[int, str], address: int) -> str | None:
    """Nearest label at or before an address, with the distance; none further away than FURTHEST."""
    base = max((one for one in names if address - FURTHEST <= one <= address), default=None)
    if base is None:
        return None
    return names[base] if base == address else f"{names[base]}+{address - base}"


def digits(number: int) -> str:
    """A number with its digits grouped in threes."""
    return f"{number:,}".replace(",", " ")
