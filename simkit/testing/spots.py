"""Where an instruction stands, as one number: its address, and in banks the byte of the chip that the CPU saw there.

Spots of addresses are those addresses; spots in banks are larger numbers, of which the low 16 bits are the address.
"""

from __future__ import annotations

import re
from functools import reduce
from itertools import product
from operator import or_
from typing import TYPE_CHECKING

from simkit.backplane.conductors import at_slot, on_the_bus
from simkit.rom.listing import Listing, Row, Seen

if TYPE_CHECKING:
    from simkit.backplane.seat import Seat
    from simkit.backplane.wiring import Wiring
    from simkit.machine.machine import Machine

TEXT = re.compile(r"([0-9A-F]{4})(?::([1-9][0-9]?):([0-9A-F]{4,8}))?")
MOST_LINES = 8
"""Lines of a select of which all levels are tried."""
_OFFSET_BITS = 32


def spot(address: int, seen: Seen | None = None) -> int:
    """Of an address, in banks with slot and offset of the byte."""
    return address if seen is None else ((seen[0] << _OFFSET_BITS | seen[1]) << 16) | address


def seen_of(at: int) -> Seen | None:
    """Slot and offset of the byte at a spot in a bank; None of others."""
    place = at >> 16
    return (place >> _OFFSET_BITS, place & (1 << _OFFSET_BITS) - 1) if place else None


def bank_of(at: int) -> tuple[int, int]:
    """What spots of one bank have in common."""
    seen = seen_of(at)
    return (0, 0) if seen is None else (seen[0], seen[1] - (at & 0xFFFF))


def as_text(at: int) -> str:
    """For files: "8000", or "8000:5:4000" in a bank: address, slot, offset."""
    seen = seen_of(at)
    return f"{at & 0xFFFF:04X}" if seen is None else f"{at & 0xFFFF:04X}:{seen[0]}:{seen[1]:04X}"


def from_text(text: str) -> int:
    """What `as_text` wrote.

    Raises:
        ValueError: it is none.
    """
    match = TEXT.fullmatch(text)
    if match is None:
        raise ValueError("no address")
    return spot(int(match[1], 16), (int(match[2]), int(match[3], 16)) if match[2] else None)


class Spots:
    """The spots of a machine: in banks are all bytes of its ROMs as soon as lines take part in decoding."""

    def __init__(self, machine: Machine) -> None:
        self._banks = machine.bus.reach.banks
        roms = [seat for seat in machine.bus.seats if seat.image_size is not None] if self._banks.lines else []
        self._roms = {seat.slot: (bytes(seat.rom() or seat.image), _reach(seat, machine.bus.wiring)) for seat in roms}

    def seen(self, decoding: int, address: int) -> int:
        """Of what the CPU saw at an address, by the number of the decoding."""
        drivers = self._banks.table(decoding).read_plan(address).drivers if self._roms else ()
        if not drivers or drivers[0][0].slot not in self._roms:
            return address
        return spot(address, (drivers[0][0].slot, drivers[0][1]))

    def of(self, row: Row) -> int:
        """Of a row; without a bank where it is not known in which it lies, or its bytes run elsewhere."""
        content, reach = self._roms.get(row.slot or 0, (b"", 0))
        if row.slot is None or row.offset is None or not row.data or not reach >> row.address & 1:
            return row.address
        is_there = content[row.offset : row.offset + len(row.data)] == row.data
        return spot(row.address, (row.slot, row.offset)) if is_there else row.address

    def instructions(self, listing: Listing) -> list[tuple[int, Row]]:
        """Rows that are instructions: of all banks, and of other programs that share addresses the one that is seen."""
        seen = {id(row) for row in listing.instructions()}
        rows = [(self.of(row), row) for row in listing.rows if row.code]
        return [(at, row) for at, row in rows if seen_of(at) is not None or id(row) in seen]


def _reach(seat: Seat, wiring: Wiring) -> int:
    """Truth table of the addresses at which a card drives reads, whatever the levels of the lines in its select."""
    named = seat.select.lines | seat.output_enable.lines | seat.wiring.sources() | wiring.sources()
    lines = sorted(wiring.heard(named) - {"RW", "PHI2"})
    if len(lines) > MOST_LINES:
        return (1 << 0x10000) - 1
    each = (
        at_slot(on_the_bus({**dict(zip(lines, levels, strict=True)), "RW": True, "PHI2": True}, wiring), seat.wiring)
        for levels in product((False, True), repeat=len(lines))
    )
    return reduce(or_, (seat.acts(levels)[0] for levels in each), 0)
