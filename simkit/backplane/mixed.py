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
_PAGE_ONES = (1 << 256) - 1


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
    ignored_at = 0 if reported is None else _alone(table, _seat(table, reported[1]), for_write=True)
    found: dict[int, Mixed] = {}
    for page in range(_PAGES):
        if table.rd[page] is not None and table.wr[page] is not None:
            continue
        shift = page * 256
        marks = _marks(~reads >> shift & _PAGE_ONES, NO_READ) | _marks(~writes >> shift & _PAGE_ONES, NO_WRITE)
        read, its = _at(table, reading, page)
        write, taken = _at(table, writing, page)
        marks |= _marks(its, READS) | _marks(taken, WRITES)
        ignored = ignored_at >> shift & _PAGE_ONES
        marks |= _marks(ignored, IGNORED)
        if marks:
            slot = reported[1] if reported is not None and ignored else None
            found[page] = Mixed(marks.to_bytes(256, "little"), read, write, slot)
    return found


def _alone(table: Table, seat: Seat, *, for_write: bool) -> int:
    """Truth table of the addresses at which an access reaches one card, in the one way in which accesses should."""
    others = reduce(or_, (sum_of for its, sum_of in _others(table, for_write=for_write) if its is not seat), 0)
    _, drive, take, write, odd = next(one for one in table.selects if one[0] is seat)
    return write & ~odd & ~others if for_write else drive & ~take & ~others


def _others(table: Table, *, for_write: bool) -> Iterator[tuple[Seat, int]]:
    for seat, drive, take, write, odd in table.everything:
        yield seat, write | odd if for_write else drive | take


def _read(table: Table, seat: Seat) -> Iterator[tuple[Seat, memoryview | bytearray, int]]:
    plain, given = seat.plain, table.given_of(seat)
    straight = given is not None and given.gives is None and not given.keeps
    if plain is not None and plain.read is not None and straight and _is_straight(table, seat, for_write=False):
        yield seat, plain.read, _alone(table, seat, for_write=False)


def _written(table: Table, seat: Seat) -> Iterator[tuple[Seat, memoryview | bytearray, int]]:
    plain = seat.plain
    straight = seat.takes_data is None and _is_straight(table, seat, for_write=True)
    if plain is not None and plain.write is not None and straight:
        yield seat, plain.write, _alone(table, seat, for_write=True)


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


def _at(table: Table, found: list[tuple[Seat, memoryview | bytearray, int]], page: int) -> tuple[Page | None, int]:
    """The first memory that answers somewhere in a page, and where."""
    for seat, buffer, addresses in found:
        here = addresses >> page * 256 & _PAGE_ONES
        base = page << 8 & ((1 << min(seat.address_pins, 16)) - 1)
        if here and base + 256 <= len(buffer):
            return Page(memoryview(buffer)[base : base + 256], buffer, base, seat.slot), here
    return None, 0


@lru_cache(maxsize=512)
def _marks(addresses: int, mark: int) -> int:
    """A byte for each bit of a page's truth table, the lowest first: the mark, or 0."""
    return sum(mark << 8 * address for address in range(256) if addresses >> address & 1)
