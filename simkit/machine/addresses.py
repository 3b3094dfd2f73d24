"""At which addresses a machine's cards and their registers answer, banks as they are."""

from __future__ import annotations

import re
from itertools import islice
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

MOST_ADDRESSES = 8
MOST_AREAS = 4
MOST_LOOKED_AT = 512
"""Addresses of a card at which its registers are looked for."""


def addresses_of(machine: Machine, slot: int) -> tuple[list[str], dict[int, list[int]]]:
    """Where a card answers, banks as they are: areas in words, and by offset the addresses, of many the first."""
    table = next(read | write for seat, read, write in machine.bus.drive_tables() if seat.slot == slot)
    digits = f"{table:0{0x10000}b}"[::-1]  # by address
    areas = [(run.start(), run.end() - 1) for run in re.finditer("1+", digits)]
    found: dict[int, list[int]] = {}
    addresses = (address for first, last in areas for address in range(first, last + 1))
    for address in islice(addresses, MOST_LOOKED_AT):
        for is_write in (False, True):
            for seat, offset in machine.bus.where(address, is_write=is_write):
                told = found.setdefault(offset, [])
                if seat.slot == slot and address not in told and len(told) < MOST_ADDRESSES:
                    told.append(address)
    shown = [f"${first:04X}-${last:04X}" if last > first else f"${first:04X}" for first, last in areas]
    return shown[:MOST_AREAS] + (["and more"] if len(shown) > MOST_AREAS else []), found
