"""The memory of a machine as a capture shows it, cell by cell: what was written to it last, or read.

A cell counts once two cycles agree about it, so that one misread sample claims nothing. The image of a ROM counts from
the start. What other cards switch in and out counts where it is known how they stand.
"""

from __future__ import annotations

import attrs

from simkit.backplane.conductors import Given
from simkit.backplane.seat import Seat
from simkit.machine.machine import Machine

ASK, FEED, NOBODY = -1, -2, -3
"""In place of a cell's number: not worked out yet; a card must be fed; nobody to be asked."""
KEPT = -10
"""KEPT - (bits * 256 + byte) stands for a byte of a ROM, which counts from the start but for those bits: nobody drives
them, or too late."""
ROM = -100_000
"""ROM - byte stands for a byte of a ROM, which counts from the start."""
UNTOLD = -1
"""In a cell: nothing is known of it."""
SURE = 0x100
"""In a cell, beside the byte and the epoch: two cycles agree about it."""
EPOCH = 0x200
"""An epoch ends where cycles were lost: what was written in them is not known."""


@attrs.frozen
class Wired:
    """Memory with something done to data lines between it and the CPU.

    Attributes:
        first: number of its first cell.
        back: by byte that the CPU writes the one that it reads back, with the bits of `keeps` high.
        keeps: bits that nobody drives when it reads, or too late for the CPU.
        needs: bits of what the CPU writes that make a difference to that.
    """

    first: int
    back: bytes
    keeps: int
    needs: int

    @classmethod
    def of(cls, first: int, takes: bytes | None, given: Given) -> Wired | None:
        """As it is wired; None where the CPU reads back what it has written.

        Args:
            first: number of its first cell.
            takes: byte at its pins for each that the CPU drives; None: the same.
            given: what the CPU takes on a read.
        """
        stored = bytes(range(256)) if takes is None else takes
        back = bytes(byte | given.keeps for byte in (stored if given.gives is None else stored.translate(given.gives)))
        if back == bytes(range(256)):
            return None
        needs = sum(1 << bit for bit in range(8) if any(back[byte] != back[byte ^ 1 << bit] for byte in range(256)))
        return cls(first, back, given.keeps, needs)


class Cells:
    """The memory of a machine, byte by byte, as a capture shows it; shared numbers for what several addresses reach.

    Attributes:
        reads: by address: number of the cell, or ROM - byte, KEPT - (bits * 256 + byte), ASK, FEED, NOBODY.
        writes: the same of writes.
        held: what each cell gives: UNTOLD, or a byte with its epoch and SURE.
        wired: memories of which that is not what was written, in order; `first_wired` is their first cell.
        epoch: now, as it stands in a cell.
        banked: slots of cards that lines of other cards switch in and out, or give an address.
        is_certain: whether the lines by which cards are switched in and out are known to be as they are here.
    """

    def __init__(self, machine: Machine) -> None:
        self._bus = machine.bus
        self._bases: dict[int, int] = {}
        self.held: list[int] = []
        memories = [
            (seat.slot, len(plain.read), seat.takes_data, given)
            for seat in machine.bus.seats
            if (plain := seat.plain) is not None and plain.read is not None and plain.write is not None
            if (given := machine.bus.reach.table.given_of(seat)) is not None
        ]
        self.wired: list[Wired] = []
        for slot, size, takes, given in sorted(memories, key=lambda one: Wired.of(0, *one[2:]) is not None):
            wired = Wired.of(len(self.held), takes, given)
            if wired is not None:
                self.wired.append(wired)
            self._bases[slot] = len(self.held)
            self.held += [UNTOLD] * size
        self._unwritten = {seat.slot for seat in machine.bus.seats if _is_read_alone(seat)}
        self.first_wired = self.wired[0].first if self.wired else len(self.held)
        self._maps: dict[object, tuple[list[int], list[int]]] = {}
        self.banked = _banked(machine)
        self.is_certain = False
        self.epoch = 0
        self.choose()

    def choose(self) -> None:
        """Decode by the lines as they are."""
        table = self._bus.reach.table
        key = table, self.is_certain
        self.reads, self.writes = self._maps.setdefault(key, ([ASK] * 0x10000, [ASK] * 0x10000))

    @property
    def asked(self) -> tuple[set[int], set[int]]:
        """Addresses of which it was asked who answers a read, and who takes a write; however cards are switched."""
        found = set[int](), set[int]()
        for ways in self._maps.values():
            for addresses, way in zip(found, ways, strict=True):
                addresses.update(address for address, number in enumerate(way) if number != ASK)
        return found

    def read_at(self, address: int) -> int:
        """Number for a read at an address."""
        found = self.reads[address]
        if found == ASK:
            found = self.reads[address] = self._find_read(address)
        return found

    def write_at(self, address: int) -> int:
        """Number for a write at an address."""
        found = self.writes[address]
        if found == ASK:
            found = self.writes[address] = self._find_write(address)
        return found

    def expected(self, address: int) -> int | None:
        """Byte that a read would give, None where that does not count."""
        number = self.read_at(address)
        if number <= ROM:
            return ROM - number
        if number >= 0 and self.held[number] >= 0 and not self.kept(number):
            held = self.held[number]
            return held & 0xFF if held & ~0xFF == SURE | self.epoch else None
        return None

    def likely(self, address: int) -> int | None:
        """The same where one cycle is enough."""
        number = self.read_at(address)
        if number <= ROM:
            return ROM - number
        is_told = number >= 0 and self.held[number] >= 0 and not self.kept(number)
        return self.held[number] & 0xFF if is_told else None

    def back(self, number: int, byte: int, known: int = 0xFF) -> int:
        """What a cell gives to the CPU once the CPU has written a byte; bits of `kept` are high.

        UNTOLD where that hangs on bits of the byte that are not known.
        """
        way = self._way(number)
        if (0xFF if way is None else way.needs) & ~known:
            return UNTOLD
        return byte if way is None else way.back[byte]

    def kept(self, number: int) -> int:
        """Bits of a cell that nobody drives when it is read."""
        way = self._way(number)
        return 0 if way is None else way.keeps

    def _way(self, number: int) -> Wired | None:
        if number < self.first_wired:
            return None
        return next(way for way in reversed(self.wired) if way.first <= number)

    def forget(self) -> None:
        """Cycles were lost: nothing of what is held counts until it is seen again."""
        self.epoch += EPOCH

    def _find_read(self, address: int) -> int:
        plan = self._bus.reach.table.read_plan(address)
        if self._is_uncertain(address):
            return NOBODY
        if plan.takers or (plan.drivers and not self._is_single(plan.drivers[0][0], len(plan.drivers))):
            return FEED if not self._has_memory([seat for seat, _, _ in plan.drivers]) else NOBODY
        if not plan.drivers:
            return NOBODY
        seat, offset, mask = plan.drivers[0]
        if seat.slot in self._bases:
            return self._bases[seat.slot] + offset if mask == 0xFF or seat.data is not None else NOBODY
        plain = seat.plain
        if plain is not None and plain.read is not None and (plain.ignores_writes or seat.slot in self._unwritten):
            given = self._bus.reach.table.given_of(seat)
            if given is not None and (mask | given.keeps) == 0xFF:
                byte = plain.read[offset]
                byte = byte if given.gives is None else given.gives[byte]
                return KEPT - (given.keeps << 8 | byte) if given.keeps else ROM - byte
        return FEED

    def _is_uncertain(self, address: int) -> bool:
        """Whether another card may be there than the one that is, or the same with another address."""
        if self.is_certain or not self.banked:
            return False
        table = self._bus.reach.table
        seats = {*table.read_plan(address).selected, *table.write_plan(address).selected}
        return not seats or bool(seats & self.banked)

    def _find_write(self, address: int) -> int:
        plan = self._bus.reach.table.write_plan(address)
        if self._is_uncertain(address):
            return FEED if any(seat.slot not in self._bases for seat, _ in plan.takers) else NOBODY
        takers = [(seat, offset) for seat, offset in plan.takers if not self._is_rom(seat)]
        self._write_to({seat.slot for seat, _ in takers})
        if plan.drivers or len(takers) > 1:
            return FEED
        if not takers:
            return NOBODY
        seat, offset = takers[0]
        return self._bases[seat.slot] + offset if seat.slot in self._bases else FEED

    def _write_to(self, slots: set[int]) -> None:
        """What such memories hold no longer counts: a write began to change it, or was refused."""
        if slots & self._unwritten:
            self._unwritten -= slots
            for reads, _ in self._maps.values():
                reads[:] = [ASK] * len(reads)

    def fights(self, address: int) -> bool:
        """Whether some card drives the data lines while the CPU writes there."""
        return bool(self._bus.reach.table.write_plan(address).drivers)

    def also_written(self, address: int) -> list[int]:
        """Cells that a write at an address which feeds cards reaches besides."""
        plan = self._bus.reach.table.write_plan(address)
        return [self._bases[seat.slot] + offset for seat, offset in plan.takers if seat.slot in self._bases]

    def _is_single(self, seat: Seat, drivers: int) -> bool:
        return drivers == 1 and seat.slot not in self._bus.reach.hidden

    def _has_memory(self, seats: list[Seat]) -> bool:
        return any(seat.slot in self._bases for seat in seats)

    @staticmethod
    def _is_rom(seat: Seat) -> bool:
        return seat.plain is not None and seat.plain.ignores_writes


def _is_read_alone(seat: Seat) -> bool:
    """Whether the bus reads it by itself, and its card must be asked for each write: an EEPROM, a flash memory.

    Until somebody writes to it, it holds its image, as a ROM does.
    """
    plain = seat.plain
    return plain is not None and plain.read is not None and plain.write is None and not plain.ignores_writes


def _banked(machine: Machine) -> set[int]:
    """Slots of cards that lines of other cards switch in and out, or give an address."""
    lines = {line.name for line in machine.bus.reach.banks.lines}
    wiring, found = machine.bus.wiring, set()
    for seat in machine.bus.seats:
        own = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines | seat.wiring.sources()
        if wiring.heard(wiring.sources() | own) & lines:
            found.add(seat.slot)
    return found
