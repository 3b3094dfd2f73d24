"""Decoding: which cards an address selects, who drives the data lines, which pages are plain memory.

Everything static about a machine (select patterns, expressions, exchanged wires) is compiled here: into truth tables
per card, from them into 256 pages and into one plan for each address that is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache, reduce
from operator import itemgetter, or_

import attrs

from simkit.backplane.conductors import CpuData, Given, address_pins, at_slot, on_the_bus
from simkit.backplane.seat import Seat
from simkit.backplane.transceiver import drives as transceiver_drives
from simkit.backplane.wiring import Wiring
from simkit.contract.registers import PlainMemory, Register

_PAGE_ONES = (1 << 256) - 1
_NO_ADDRESS, _EVERY_ADDRESS = bytes(32), b"\xff" * 32
_TABLE_BYTES = 256 * len(_NO_ADDRESS)
_PLACES = tuple(slice(begin, begin + len(_NO_ADDRESS)) for begin in range(0, _TABLE_BYTES, len(_NO_ADDRESS)))
"""Of each page in a table."""
_STRAIGHT = tuple(range(256))


@lru_cache(maxsize=256)  # a process that loads machines often, as tests do, decodes most of them alike
def _own_pages(table: int, others: int) -> tuple[int, ...]:
    """Pages of which a truth table has every address, and another none."""
    whole, foreign = table.to_bytes(_TABLE_BYTES, "little"), others.to_bytes(_TABLE_BYTES, "little")
    return tuple(
        page for page, place in enumerate(_PLACES) if whole[place] == _EVERY_ADDRESS and foreign[place] == _NO_ADDRESS
    )


@attrs.frozen(slots=True, eq=False)
class Plan:
    """What one access at one address does.

    Attributes:
        drivers: seat, offset and driven mask of each card that drives the data lines.
        takers: seat and offset of each card that takes the data lines.
        selected: slot numbers of both.
        waiters: seat and offset of each of them whose card may ask for wait states.
        may_wait: of a write: it reaches one card alone, at a register whose table says that writes may wait.
    """

    drivers: tuple[tuple[Seat, int, int], ...]  # seat, offset, driven mask
    takers: tuple[tuple[Seat, int], ...]
    selected: tuple[int, ...]
    may_wait: bool = False
    waiters: tuple[tuple[Seat, int], ...] = attrs.field(init=False)

    @waiters.default
    def _find_waiters(self) -> tuple[tuple[Seat, int], ...]:
        reached = {seat.slot: (seat, offset) for seat, offset, _ in self.drivers}
        reached |= {seat.slot: (seat, offset) for seat, offset in self.takers}
        return tuple(one for one in reached.values() if one[0].waits)

    def stalled(self) -> Plan:
        """The same while RDY repeats the cycle: strobes that are gated with ready stay away."""
        seats = [seat for seat, _, _ in self.drivers] + [seat for seat, _ in self.takers]
        if not any(seat.ready_gated for seat in seats):
            return self
        drivers = tuple(driver for driver in self.drivers if not driver[0].ready_gated)
        return Plan(drivers, tuple(taker for taker in self.takers if not taker[0].ready_gated), self.selected)


@attrs.define(slots=True, eq=False)  # a frozen one takes three times as long to make, and a machine has hundreds
class Page:
    """256 addresses that are one card's plain memory and nothing else.

    Attributes:
        view: what an engine indexes with the low byte of the address.
        buffer: the buffer behind it.
        base: index in the buffer of the page's first byte.
        slot: of the card.
        is_copy: the buffer is a copy of ROM that nothing writes to.
    """

    view: memoryview
    buffer: bytearray | memoryview
    base: int
    slot: int
    is_copy: bool = False


@attrs.frozen(slots=True, eq=False)
class Crossed:
    """256 addresses that are one card's plain memory, reached through exchanged wires.

    Attributes:
        buffer: the memory.
        base: index in it that the lowest address reaches, but for what the low address lines add.
        low: what the low byte of an address adds to that, for its 256 values.
        gives: byte that the CPU takes for each byte in the memory, without the bits of `keeps`.
        takes: byte in the memory for each byte on the bus; None: writes reach something else, or not it alone.
        keeps: bits that the CPU takes as it took them in the cycle before, as nobody drives them in time.
        slot: of the card.
    """

    buffer: bytearray | memoryview
    base: int
    low: tuple[int, ...]
    gives: bytes
    takes: bytes | None
    keeps: int
    slot: int


Pages = tuple[Page | None, ...]
"""256 pages, None where a card must be asked."""
Pins = tuple[bytes, ...] | None
"""Truth tables of address pins; None: each carries its own line."""


class Table:
    """Decoding for one combination of the lines that stand in selects.

    Attributes:
        read_pages: pages of plain memory that a read reaches.
        write_pages: pages of plain memory that a write reaches.
        rd: the views of `read_pages`, for engines.
        wr: the views of `write_pages`, for engines.
        selects: by card: truth tables of drives, takes on a read; takes, drives on a write.
        levels: the lines of the combination.
        reads: plans of reads by address, as far as asked for.
        writes: plans of writes by address, as far as asked for.
    """

    __slots__ = (
        "_all",
        "_given",
        "_pins",
        "_released",
        "_straight",
        "levels",
        "rd",
        "read_pages",
        "reads",
        "selects",
        "wr",
        "write_pages",
        "writes",
    )

    def __init__(
        self,
        seats: Iterable[Seat],
        levels: Mapping[str, bool],
        wiring: Wiring | None = None,
        released: tuple[int, int] = (0xFF, 0),
    ) -> None:
        wiring = Wiring() if wiring is None else wiring
        self.levels = levels
        self.reads: dict[int, Plan] = {}
        self.writes: dict[int, Plan] = {}
        self.selects: list[tuple[Seat, int, int, int, int]] = []
        self._pins: dict[int, tuple[Pins, Pins]] = {}
        self._given: dict[int, Given | None] = {}
        self._straight: dict[tuple[int, int], Page] = {}  # of a RAM, reads and writes reach the same
        cpu = CpuData.of(wiring, released[1])
        self._released = cpu, released
        transceivers: list[tuple[Seat, int, int, int, int]] = []
        reads, writes = (on_the_bus({**levels, "RW": rw, "PHI2": True}, wiring) for rw in (True, False))
        for seat in seats:
            self._given[seat.slot] = Given.of(seat.data, seat.gives_data, cpu, released)
            on_read, on_write = at_slot(reads, seat.wiring), at_slot(writes, seat.wiring)
            (drives, takes), (drives_odd, takes_write) = seat.acts(on_read), seat.acts(on_write)
            read_pins = address_pins(seat.address_pins, on_read, seat.wiring)
            write_pins = address_pins(seat.address_pins, on_write, seat.wiring)
            self._pins[seat.slot] = read_pins, read_pins if read_pins == write_pins else write_pins
            self.selects.append((seat, drives, takes, takes_write, drives_odd))
            if seat.transceiver is not None:
                both = transceiver_drives(seat, (drives, takes_write, drives_odd), (on_read["RW"], on_write["RW"]))
                transceivers.append((seat.transceiver, both[0], 0, 0, both[1]))
        self._all = [*self.selects, *transceivers]
        drives_or_takes = [(seat, drive, take) for seat, drive, take, _, _ in self._all]
        self.read_pages: Pages = self._pages(drives_or_takes, for_write=False)
        takes_or_drives = [(seat, take, drive) for seat, _, _, take, drive in self._all]
        self.write_pages: Pages = self._pages(takes_or_drives, for_write=True)
        self.rd = _views(self.read_pages)
        self.wr = _views(self.write_pages)

    def offset(self, seat: Seat, address: int, *, is_write: bool = False) -> int:
        """What the card's address pins carry for an address of the CPU."""
        pins = self._pins[seat.slot][is_write]
        if pins is None:
            return address & ((1 << min(seat.address_pins, 16)) - 1)
        byte, bit = address >> 3, address & 7
        return sum((table[byte] >> bit & 1) << pin for pin, table in enumerate(pins))

    @property
    def everything(self) -> Sequence[tuple[Seat, int, int, int, int]]:
        """As `selects`, and transceivers behind them."""
        return self._all

    def pins_of(self, seat: Seat) -> tuple[Pins, Pins]:
        """Truth tables of a card's address pins, on reads and on writes."""
        return self._pins[seat.slot]

    def given_of(self, seat: Seat) -> Given | None:
        """What the CPU takes on a read of a card's memory, as `Given.of` says."""
        return self._given[seat.slot]

    def _pages(self, tables: Sequence[tuple[Seat, int, int]], *, for_write: bool) -> Pages:
        """Pages of which one seat's first table has every address, and no other table any."""
        pages: list[Page | None] = [None] * 256
        spoilt = reduce(or_, (table for _, _, table in tables), 0)
        for seat, table, _ in tables:
            given = self._given[seat.slot]
            if seat.plain is None or seat.waits or given is None or given.keeps:
                continue
            others = reduce(or_, (other for its, other, _ in tables if its is not seat), spoilt)
            through = seat.takes_data if for_write else given.gives
            straight = through is None and self._pins[seat.slot][for_write] is None
            buffer = seat.plain.write if for_write else seat.plain.read
            view = None if buffer is None else memoryview(buffer)
            known = (1 << min(seat.address_pins, 16)) - 1
            for page in _own_pages(table, others):
                base = page << 8 & known
                if straight and known >= 0xFF and view is not None and buffer is not None and base + 256 <= len(view):
                    pages[page] = Page(view[base : base + 256], buffer, base, seat.slot)
                else:
                    pages[page] = self._plain_page(seat, seat.plain, page, through, for_write=for_write)
        return tuple(pages)

    def _reached(self, seat: Seat, page: int, *, is_write: bool) -> tuple[int, tuple[int, ...]]:
        """What a page reaches in a card: the offset of what all its addresses share, and what each adds to that."""
        pins = self._pins[seat.slot][is_write]
        if pins is None:
            known = (1 << min(seat.address_pins, 16)) - 1
            return page << 8 & known, _low_offsets_of_count(min(seat.address_pins, 8))
        base, moving = 0, []
        for pin, table in enumerate(pins):
            part = table[_PLACES[page]]
            if part == _EVERY_ADDRESS:
                base |= 1 << pin
            elif part != _NO_ADDRESS:
                moving.append((pin, part))
        return base, _low_offsets(tuple(moving))

    def _plain_page(
        self, seat: Seat, plain: PlainMemory, page: int, through: bytes | None, *, for_write: bool
    ) -> Page | None:
        buffer = plain.write if for_write else plain.read
        if buffer is None:
            return None
        base, low = self._reached(seat, page, is_write=for_write)
        straight = low is _STRAIGHT or low == _STRAIGHT
        if straight and through is None and base + 256 <= len(buffer) and base & 0xFF == 0:
            key = id(buffer), base
            page_of_it = self._straight.get(key)
            if page_of_it is None:
                view = memoryview(buffer)[base : base + 256]
                page_of_it = self._straight[key] = Page(view, buffer, base, seat.slot)
            return page_of_it
        if for_write or not plain.ignores_writes:
            return None  # RAM with exchanged wires: each access takes the long way
        if base + _highest(low) >= len(buffer):
            return None  # the card answers for what its memory does not hold
        permuted = bytearray(_picked(low)(memoryview(buffer)[base:]))  # no bit of low is one of base's
        if through is not None:
            permuted = permuted.translate(through)
        return Page(memoryview(permuted), permuted, 0, seat.slot, is_copy=True)

    def crossed_pages(self) -> dict[int, Crossed]:
        """By page: memory that reads reach through exchanged, open or late wires, and nothing else there.

        Writes reach it, too, where it is a RAM's.
        """
        found: dict[int, Crossed] = {}
        straight = bytes(range(256))
        for seat, *own in self.selects:
            plain, given = seat.plain, self._given[seat.slot]
            if not seat.crossed or plain is None or seat.waits or plain.read is None or given is None:
                continue
            on_read, on_write = self._pins[seat.slot]
            is_ram = plain.read is plain.write and on_read is on_write
            others = [
                reduce(or_, tables, 0) for tables in zip(*(t for s, *t in self._all if s is not seat), strict=True)
            ]
            drives, takes_on_read, takes_byte, drives_on_write = (one.to_bytes(_TABLE_BYTES, "little") for one in own)
            read_by, taken_on_read, written_by, driven_on_write = (
                one.to_bytes(_TABLE_BYTES, "little") for one in (others or [0] * 4)
            )
            for page, place in enumerate(_PLACES):
                if self.rd[page] is not None or drives[place] != _EVERY_ADDRESS:
                    continue
                if any(one[place] != _NO_ADDRESS for one in (takes_on_read, read_by, taken_on_read)):
                    continue
                base, low = self._reached(seat, page, is_write=False)
                if base + _highest(low) >= len(plain.read):
                    continue
                alone = all(one[place] == _NO_ADDRESS for one in (drives_on_write, written_by, driven_on_write))
                taken = takes_byte[place] == _EVERY_ADDRESS and alone
                written = is_ram and taken
                gives, takes = given.gives or straight, seat.takes_data or straight
                found[page] = Crossed(plain.read, base, low, gives, takes if written else None, given.keeps, seat.slot)
        return found

    def waiting_pages(self) -> dict[int, bytes]:
        """By page: 1 for each address at which a write may wait: it reaches one card alone, whose table says so."""
        found: dict[int, bytes] = {}
        driven = reduce(or_, (drive for *_, drive in self.selects), 0)
        for seat, _, _, take, _ in self.selects:
            offsets = _waiting(seat)
            if not offsets or seat.waits:
                continue
            alone = take & ~reduce(or_, (other for its, _, _, other, _ in self.selects if its is not seat), driven)
            for page in range(256):
                addresses = alone >> page * 256 & _PAGE_ONES
                if not addresses or page in found:
                    continue
                base, reached = self._reached(seat, page, is_write=True)
                marks = bytes(addresses >> low & 1 and base | reached[low] in offsets for low in range(256))
                if any(marks):
                    found[page] = marks
        return found

    def released(self) -> bytes:
        """By the byte that it took in the cycle before, the one that the CPU takes where nobody drives data lines."""
        cpu, (keeps, pulled) = self._released
        if cpu is None:
            return bytes(last & keeps | pulled for last in range(256))
        return bytes(cpu.taken(cpu.gives[last] & keeps | pulled, last) for last in range(256))

    def read_plan(self, address: int) -> Plan:
        """What a read at the address does."""
        plan = self.reads.get(address)
        if plan is None:
            plan = self.reads[address] = self._plan(
                address, ((s, drive, take) for s, drive, take, _, _ in self._all), for_write=False
            )
        return plan

    def write_plan(self, address: int) -> Plan:
        """What a write at the address does."""
        plan = self.writes.get(address)
        if plan is None:
            plan = self.writes[address] = self._plan(
                address, ((s, drive, take) for s, _, _, take, drive in self._all), for_write=True
            )
        return plan

    def _plan(self, address: int, tables: Iterable[tuple[Seat, int, int]], *, for_write: bool) -> Plan:
        drivers, takers, selected = [], [], []
        for seat, drive, take in tables:
            drives, takes = drive >> address & 1, take >> address & 1
            if not (drives or takes):
                continue
            if seat.slot not in selected:  # its transceiver may drive besides
                selected.append(seat.slot)
            offset = self.offset(seat, address, is_write=for_write)
            if drives:
                drivers.append((seat, offset, _driven_mask(seat, offset)))
            if takes:
                takers.append((seat, offset))
        alone = for_write and not drivers and len(takers) == 1 and not takers[0][0].waits
        may_wait = alone and takers[0][1] in _waiting(takers[0][0])
        return Plan(tuple(drivers), tuple(takers), tuple(selected), may_wait)


def _waiting(seat: Seat) -> set[int]:
    """Offsets at which the register table says that writes may wait."""
    if seat.ready_gated:
        return set()
    return {register.offset for register in seat.registers if register.writes_wait}


def _views(pages: Pages) -> list[memoryview | None]:
    return [None if page is None else page.view for page in pages]


def _driven_mask(seat: Seat, offset: int) -> int:
    """Data lines the card drives on a read."""
    mask = seat.drives(offset)
    return mask if seat.data is None else seat.data.drives[mask]


@lru_cache(maxsize=64)
def _low_offsets(moving: tuple[tuple[int, bytes], ...]) -> tuple[int, ...]:
    """What pins that move within a page carry for each of its 256 addresses: of (pin, truth table of the page)."""
    return tuple(
        sum((table[address >> 3] >> (address & 7) & 1) << pin for pin, table in moving) for address in range(256)
    )


@lru_cache(maxsize=9)
def _low_offsets_of_count(pins: int) -> tuple[int, ...]:
    """The same of a card's lowest pins, each on its own line."""
    return _STRAIGHT if pins == 8 else tuple(address & (1 << pins) - 1 for address in range(256))


@lru_cache(maxsize=64)
def _highest(low: tuple[int, ...]) -> int:
    return max(low)


@lru_cache(maxsize=64)
def _picked(low: tuple[int, ...]) -> Callable[[memoryview], tuple[int, ...]]:
    """Gives the bytes at these offsets."""
    return itemgetter(*low)


def driven_masks(registers: Iterable[Register]) -> dict[int, int]:
    """Bits driven on a read, by offset."""
    masks: dict[int, int] = {}
    for register in registers:
        masks.setdefault(register.offset, 0)
        if "r" in register.access:
            masks[register.offset] |= register.driven
    return masks
