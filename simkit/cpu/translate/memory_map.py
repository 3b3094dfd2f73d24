"""What the CPU's address space looks like to translated code: pages of plain memory and the buffers behind them."""

from __future__ import annotations

from typing import NamedTuple

from simkit.backplane.bus import Bus
from simkit.backplane.decode import Page

Views = list[memoryview | None]


class Place(NamedTuple):
    """A byte of plain memory: number of the buffer and index in it."""

    buffer: int
    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody asks of a place


class Span(NamedTuple):
    """Addresses low .. high-1 that are one stretch of a buffer: address a is index a - base."""

    low: int
    high: int
    buffer: int
    base: int


class MemoryMap:
    """Plain memory under one pair of page tables.

    Attributes:
        rd, wr: the page tables of the bus it describes; they keep their identity as long as the decoding holds.
        buffers: the buffers of all maps of the machine, by number; generated source calls them m0, m1, ...
        changeable: numbers of the buffers that a store of the program can change.
    """

    def __init__(self, bus: Bus, rd: Views, wr: Views, buffers: list[bytearray]) -> None:
        self.bus = bus
        self.rd = rd
        self.wr = wr
        self.buffers = buffers
        read_pages, write_pages = bus.pages
        self._reads = [self._place(page) for page in read_pages]
        self._writes = [self._place(page) for page in write_pages]
        writable = [seat.plain.write for seat in bus.seats if seat.plain is not None]
        self.changeable = {n for n, buffer in enumerate(self.buffers) if any(buffer is w for w in writable)}

    def _place(self, page: Page | None) -> Place | None:
        if page is None:
            return None
        for number, known in enumerate(self.buffers):
            if known is page.buffer:
                return Place(number, page.base)
        self.buffers.append(page.buffer)
        return Place(len(self.buffers) - 1, page.base)

    def place(self, address: int, *, for_write: bool = False) -> Place | None:
        """Where the byte at an address lies, or None when a card must be asked."""
        found = (self._writes if for_write else self._reads)[address >> 8 & 0xFF]
        return None if found is None else Place(found.buffer, found.index + (address & 0xFF))

    def both(self, address: int) -> Place | None:
        """As `place`, when reads and writes reach the same byte."""
        found = self.place(address)
        return found if found == self.place(address, for_write=True) else None

    def stretch(self, low: int, high: int, *, for_write: bool) -> Place | None:
        """Place of `low` when all addresses up to `high` follow it in one buffer (for writes: reads reach it too)."""
        if high > 0xFFFF:
            return None
        find = self.both if for_write else self.place
        first = find(low)
        if first is None:
            return None
        for address in (*range(low | 0xFF, high + 1, 0x100), high):
            if find(address) != Place(first.buffer, first.index + address - low):
                return None
        return first

    def span(self, address: int, *, for_write: bool) -> Span | None:
        """The widest stretch round an address."""
        find = self.both if for_write else self.place
        here = find(address)
        if here is None:
            return None
        low = high = address >> 8
        base = address - here.index
        while low > 0 and find((low - 1) << 8) == Place(here.buffer, ((low - 1) << 8) - base):
            low -= 1
        while high < 255 and find((high + 1) << 8) == Place(here.buffer, ((high + 1) << 8) - base):
            high += 1
        return Span(low << 8, (high + 1) << 8, here.buffer, base)

    def byte(self, address: int) -> int | None:
        """The byte at an address now, when it is plain memory."""
        view = self.rd[address >> 8 & 0xFF]
        return None if view is None else view[address & 0xFF]
