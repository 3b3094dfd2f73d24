"""What a test ROM is written for: where the ROM lies, where each card answers, and what it is joined to."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property

import attrs

from simkit.backplane.seat import Seat
from simkit.contract.errors import SimkitError
from simkit.contract.registers import Register
from simkit.machine.machine import Machine
from simkit.machinefile.description import CardDescription

ADDRESSES = 0x10000
LINES = range(16)
"""Numbers of the address lines."""
HARMLESS_WRITES: Mapping[str, tuple[int, ...]] = {"led-row": (0,), "ports-6522": (0, 6, 7)}
"""By kind: offsets where a stray byte does no harm: lamps, a port whose pins are inputs, latches of an idle timer."""
_MOST_LOOKED_AT = 0x1000  # addresses; a register that is not among them is taken for unreachable


@attrs.frozen(eq=False)
class Rom:
    """The ROM that the CPU starts from.

    Attributes:
        seat: its card.
        first: lowest address of the piece that ends at $FFFF.
        size: bytes of the part.
    """

    seat: Seat
    first: int
    size: int

    @property
    def room(self) -> int:
        """Bytes of the piece."""
        return ADDRESSES - self.first


class Survey:
    """A machine seen from the CPU, as its file wires it.

    Args:
        machine: the machine, just switched on.
        slot: slot of the card under test.

    Raises:
        SimkitError: there is no such slot, or no ROM from which the CPU could start.
    """

    def __init__(self, machine: Machine, slot: int) -> None:
        self.machine = machine
        self.slot = slot
        self.seats = {seat.slot: seat for seat in machine.bus.seats}
        if slot not in self.seats:
            there = ", ".join(f"{number} ({seat.kind})" for number, seat in self.seats.items())
            raise SimkitError(
                f"{machine.description.name} has no card in slot {slot}.", remedy=f"Its cards are in slots {there}."
            )
        self._tables = {seat.slot: (reads, writes) for seat, reads, writes in machine.bus.drive_tables()}
        self.rom = self._find_rom()

    @property
    def seat(self) -> Seat:
        """The card under test."""
        return self.seats[self.slot]

    @cached_property
    def clock_hz(self) -> float:
        """PHI2."""
        return float(self.machine.clock_hz)

    def cycles(self, seconds: float) -> int:
        """Cycles that surely last so long."""
        return int(seconds * self.clock_hz) + 1

    def card(self, slot: int) -> CardDescription:
        """A card as described."""
        return next(card for card in self.machine.description.cards if card.slot == slot)

    def of_kind(self, kind: str) -> list[Seat]:
        """Cards of a kind, in slot order."""
        return [seat for seat in self.seats.values() if type(seat.card).kind == kind]

    # addresses --------------------------------------------------------------------------------------------------------

    def reads(self, slot: int, address: int) -> bool:
        """Whether the card answers a read."""
        return bool(self._tables[slot][0] >> address & 1)

    def writes(self, slot: int, address: int) -> bool:
        """Whether the card takes a write."""
        return bool(self._tables[slot][1] >> address & 1)

    def owners(self, address: int) -> list[Seat]:
        """Cards that take part in an access at the address."""
        return [
            seat for seat in self.seats.values() if self.reads(seat.slot, address) or self.writes(seat.slot, address)
        ]

    def areas(self, slot: int) -> list[tuple[int, int]]:
        """Where the card answers: first and last address of each area."""
        digits = f"{self._tables[slot][0] | self._tables[slot][1]:0{ADDRESSES}b}"[::-1]
        return [(run.start(), run.end() - 1) for run in re.finditer("1+", digits)]

    def offset(self, slot: int, address: int, *, is_write: bool = False) -> int | None:
        """What the card's address pins see; None: it is not reached."""
        found = self.machine.bus.where(address, is_write=is_write)
        return next((offset for seat, offset in found if seat.slot == slot), None)

    def addresses_of(self, slot: int, offset: int, *, is_write: bool = False) -> Iterator[int]:
        """Addresses at which the card's pins see an offset, lowest first."""
        looked_at = 0
        for first, last in self.areas(slot):
            for address in range(first, last + 1):
                if self.offset(slot, address, is_write=is_write) == offset:
                    yield address
                looked_at += 1
                if looked_at >= _MOST_LOOKED_AT:
                    return

    def address_of(self, slot: int, register: Register | int, *, is_write: bool = False) -> int | None:
        """The lowest address of a register, or None where the select leaves it out."""
        offset = register if isinstance(register, int) else register.offset
        return next(self.addresses_of(slot, offset, is_write=is_write), None)

    def drivers(self, address: int) -> list[Seat]:
        """Cards that answer a read of the address."""
        return [seat for seat in self.seats.values() if self.reads(seat.slot, address)]

    def is_memory(self, seat: Seat) -> bool:
        """Whether a write there changes nothing but a byte of RAM, or nothing at all (an EEPROM would take it)."""
        return self.is_ram(seat) or (seat.plain is not None and not seat.registers and seat.plain.ignores_writes)

    def is_ram(self, seat: Seat) -> bool:
        """Whether it is memory that takes writes."""
        return seat.plain is not None and not seat.registers and seat.plain.write is not None

    def may_be_written(self, address: int) -> bool:
        """Whether a write to an address disturbs no register of any card."""
        return all(self.is_memory(seat) or not self._takes(seat, address) for seat in self.owners(address))

    def _takes(self, seat: Seat, address: int) -> bool:
        offset = self.offset(seat.slot, address, is_write=True)
        if offset in HARMLESS_WRITES.get(type(seat.card).kind, ()):
            return False
        return any(register.offset == offset and "w" in register.access for register in seat.registers)

    # wires ------------------------------------------------------------------------------------------------------------

    def line_of(self, slot: int, pin: str) -> str | None:
        """Line that a pin of a card is joined to."""
        return self.card(slot).wiring.joined().get(pin)

    def pulls_irq(self, slot: int) -> bool:
        """Whether a pin of the card is joined to the line IRQ."""
        return "IRQ" in self.card(slot).wiring.joined().values()

    def pins_on(self, line: str) -> list[tuple[int, str]]:
        """Slot and pin of all that is joined to a line."""
        cards = self.machine.description.cards
        return [(card.slot, pin) for card in cards for pin, joined in card.wiring.joined().items() if joined == line]

    def _find_rom(self) -> Rom:
        """The ROM at the reset vector."""
        name = self.machine.description.name
        if self.machine.description.start is not None:
            message = f"{name} goes on at {self.machine.description.start} after RESET, and not where a ROM says."
            raise SimkitError(message, remedy="A test ROM needs the reset vector: leave `start` (--start) out.")
        seat = next((seat for seat in self.owners(0xFFFC) if seat.image_size is not None), None)
        if seat is None or seat.image_size is None:
            raise SimkitError(
                f"{name} has no ROM card at $FFFC, where the CPU looks for its first instruction.",
                remedy='Put a card of the kind rom there: select = "1xxx xxxx xxxx xxxx".',
            )
        first = 0xFFFF
        while first and self.reads(seat.slot, first - 1):
            first -= 1
        return Rom(seat, max(first, ADDRESSES - seat.image_size), seat.image_size)
