"""Pages that are not one card's plain memory throughout: what an engine may do at some of their addresses by itself.

Where no card answers, a read gives what stays on the data lines and a write goes nowhere. Where one card's plain memory
answers alone, straight, an engine may index it. A write that memory ignores, and only reports, is a finding more.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache, reduce
from operator import or_

import attrs

from simkit.backplane.decode import Page, Table
from simkit.backplane.seat import Seat

NO_READ, NO_WRITE, READS, WRITES, IGNORED = (1 << bit for bit in range(5))
"""At an address: a read, or a write, reaches nobody; a read, or a write, reaches the memory; writes are ignored."""

_PAGES = 256
_PAGE_BYTES = 32
"""Of the truth table of a page's addresses."""
_EVERYWHERE = (1 << 256 * _PAGES) - 1
_NOWHERE = bytes(_PAGES * _PAGE_BYTES)


_Memory = tuple[Seat, memoryview | bytearray, bytes]
"""A card's, and the truth table of the addresses at which it answers alone."""


@attrs.frozen
class Mixed:
    """A page.

    Attributes:
        marks: by low byte of the address, of the bits above those that are true.
        read: memory that READS mean.
        write: memory that WRITES mean.
        ignores: slot of the memory that IGNORED mean.
    """

    marks: bytes
    read: Page | None
    write: Page | None
    ignores: int | None


def mixed_pages(table: Table) -> dict[int, Mixed]:
    """By page, those left out of which the engine has all in the other tables."""
    everything = table.everything
    reads, writes = (
        reduce(or_, (one | other for one, other in ways), 0)
        for ways in zip(*(((drive, take), (write, odd)) for _, drive, take, write, odd in everything), strict=True)
    )
    reading = [found for seat, *_ in table.selects for found in _read(table, seat)]
    writing = [found for seat, *_ in table.selects for found in _written(table, seat)]
    reported = ignoring(table)
    ignored = _NOWHERE if reported is None else _places(_alone(table, _seat(table, reported[1]), for_write=True))
    nobody_reads, nobody_writes = _places(~reads & _EVERYWHERE), _places(~writes & _EVERYWHERE)
    found: dict[int, Mixed] = {}
    for page in range(_PAGES):
        if table.rd[page] is not None and table.wr[page] is not None:
            continue
        here = slice(page * _PAGE_BYTES, (page + 1) * _PAGE_BYTES)
        read, its = _at(reading, page, here)
        write, taken = _at(writing, page, here)
        marks = _marks(nobody_reads[here], nobody_writes[here], its, taken, ignored[here])
        if any(marks):
            slot = reported[1] if reported is not None and any(ignored[here]) else None
            found[page] = Mixed(marks, read, write, slot)
    return found


def _places(table: int) -> bytes:
    """A truth table of all addresses, from which those of pages are cut."""
    return table.to_bytes(_PAGES * _PAGE_BYTES, "little")


def _alone(table: Table, seat: Seat, *, for_write: bool) -> int:
    """Truth table of the addresses at which an access reaches one card, in the one way in which accesses should."""
    others = reduce(or_, (sum_of for its, sum_of in _others(table, for_write=for_write) if its is not seat), 0)
    _, drive, take, write, odd = next(one for one in table.selects if one[0] is seat)
    return write & ~odd & ~others if for_write else drive & ~take & ~others


def _others(table: Table, *, for_write: bool) -> Iterator[tuple[Seat, int]]:
    for seat, drive, take, write, odd in table.everything:
        yield seat, write | odd if for_write else drive | take


def _read(table: Table, seat: Seat) -> Iterator[_Memory]:
    plain, given = seat.plain, table.given_of(seat)
    straight = given is not None and given.gives is None and not given.keeps
    if plain is not None and plain.read is not None and straight and _is_straight(table, seat, for_write=False):
        yield seat, plain.read, _places(_alone(table, seat, for_write=False))


def _written(table: Table, seat: Seat) -> Iterator[_Memory]:
    plain = seat.plain
    straight = seat.takes_data is None and _is_straight(table, seat, for_write=True)
    if plain is not None and plain.write is not None and straight:
        yield seat, plain.write, _places(_alone(table, seat, for_write=True))


def _is_straight(table: Table, seat: Seat, *, for_write: bool) -> bool:
    return not seat.waits and seat.address_pins >= 8 and table.pins_of(seat)[for_write] is None


def ignoring(table: Table) -> tuple[str, int] | None:
    """The first memory that ignores writes, and reports them: under which rule, and its slot."""
    for seat, *_ in table.selects:
        plain = seat.plain
        if plain is not None and plain.ignores_writes and plain.reports and not seat.waits:
            return plain.reports, seat.slot
    return None


def _seat(table: Table, slot: int) -> Seat:
    return next(seat for seat, *_ in table.selects if seat.slot == slot)


def _at(found: list[_Memory], page: int, here: slice) -> tuple[Page | None, bytes]:
    """The first memory that answers somewhere in a page, and where."""
    for seat, buffer, addresses in found:
        base = page << 8 & ((1 << min(seat.address_pins, 16)) - 1)
        if any(addresses[here]) and base + 256 <= len(buffer):
            return Page(memoryview(buffer)[base : base + 256], buffer, base, seat.slot), addresses[here]
    return None, _NOWHERE[here]


@lru_cache(maxsize=512)
def _marks(*addresses: bytes) -> bytes:
    """By address of a page: of NO_READ and those behind it the sum of those whose truth table has it."""
    marks = bytearray(256)
    for table, mark in zip(addresses, (NO_READ, NO_WRITE, READS, WRITES, IGNORED), strict=True):
        for address in range(256):
            if table[address >> 3] >> (address & 7) & 1:
                marks[address] |= mark
    return bytes(marks)
