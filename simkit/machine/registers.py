"""The registers of a machine as a program meets them: at which addresses, and at which data bits of the CPU.

A card's table says what is at its own pins. What lies between those and the CPU is wiring: exchanged address lines put
a register elsewhere, exchanged or inverted data lines put a bit elsewhere or turn it round.
"""

from __future__ import annotations

from collections.abc import Iterator

import attrs

from simkit.backplane.conductors import pin_tables
from simkit.backplane.decode import Table
from simkit.backplane.seat import Seat
from simkit.backplane.select import carries
from simkit.contract.registers import Register

READ, WRITE = "r", "w"


@attrs.frozen
class Bit:
    """A named bit of a register.

    Attributes:
        name: as the card's table has it.
        number: bit of the card's byte.
        seen: bits of the byte that the CPU reads which follow it, as a mask; where a register is only written those of
            the byte that the CPU writes. One bit of them, unless wires are exchanged, open or short.
        inverted: the CPU has it the other way round.
    """

    name: str
    number: int
    seen: int
    inverted: bool = False


@attrs.frozen
class Placed:
    """A register and where it is.

    Attributes:
        seat: of its card.
        register: as the card's table has it.
        reads: truth table of the addresses at which a read reaches it.
        writes: the same of writes.
        bits: those that have names, bit 0 first.
    """

    seat: Seat
    register: Register
    reads: int
    writes: int
    bits: tuple[Bit, ...]

    @property
    def answers(self) -> int:
        """Truth table of all its addresses."""
        return self.reads | self.writes

    def addresses(self) -> Iterator[int]:
        """Its addresses, lowest first."""
        rest = self.answers
        while rest:
            lowest = rest & -rest
            yield lowest.bit_length() - 1
            rest ^= lowest

    def names(self) -> tuple[str, ...]:
        """Names by the bit of the CPU's byte, bit 0 first; "" for one without a name."""
        return tuple("+".join(bit.name for bit in self.bits if bit.seen >> number & 1) for number in range(8))


def placed_registers(table: Table) -> list[Placed]:
    """Every register of every card, in slot order and in that of the cards' tables, banks as `table` has them."""
    return [
        _placed(table, seat, register, read, write)
        for seat, read, _, write, _ in table.selects
        for register in seat.registers
    ]


def _placed(table: Table, seat: Seat, register: Register, read: int, write: int) -> Placed:
    on_read, on_write = (pin_tables(pins, seat.address_pins) for pins in table.pins_of(seat))
    return Placed(
        seat,
        register,
        read & carries(on_read, register.offset) if READ in register.access else 0,
        write & carries(on_write, register.offset) if WRITE in register.access else 0,
        tuple(_bits(seat, register)),
    )


def _bits(seat: Seat, register: Register) -> Iterator[Bit]:
    is_read = READ in register.access
    for number, name in enumerate(register.bits):
        if not name:
            continue
        mask = 1 << number
        if is_read:
            way = seat.gives_data
            seen = mask if way is None else way[mask] ^ way[0]
            inverted = way is not None and bool(way[0] & seen)
        else:
            way = seat.takes_data
            seen = mask if way is None else sum(1 << bit for bit in range(8) if (way[1 << bit] ^ way[0]) & mask)
            inverted = way is not None and bool(way[0] & mask)
        yield Bit(name, number, seen, inverted)
