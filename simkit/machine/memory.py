"""What stands at the addresses of a machine, looked at and put in without a bus cycle: methods of `Machine`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simkit.backplane.vectors import VECTORS
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.machine.machine import Machine


def peek(machine: Machine, address: int, n: int = 1) -> Any:
    """Byte at an address as a read would give it, without any effect; `n` > 1 gives bytes."""
    check_address(address)
    machine.settle()
    found = bytes(machine.bus.peek((address + i) & 0xFFFF, machine.cycle, machine.cpu.last) for i in range(n))
    return found[0] if n == 1 else found


def memory(machine: Machine, address: int, length: int) -> bytes:
    """Bytes from an address on, as reads would give them, without any effect; beyond $FFFF from $0000 on."""
    found = peek(machine, address, length)
    return found if length != 1 else bytes([found])


def vectors(machine: Machine) -> dict[str, int]:
    """Addresses that the vectors NMI, RESET and IRQ say now; those that no card gives are left out."""
    return {
        name: peek(machine, at) | peek(machine, at + 1) << 8
        for name, at in VECTORS.items()
        if machine.bus.where(at) and machine.bus.where(at + 1)
    }


def poke(machine: Machine, address: int, value: int) -> None:
    """Put a byte into the memory (RAM or ROM) at an address, without a bus cycle.

    Raises:
        SimkitError: no memory is there.
    """
    check_address(address)
    if not isinstance(value, int) or not 0 <= value <= 0xFF:
        raise SimkitError(f"{value!r} is not a byte.", remedy="Write 0 to 255.")
    for seat, offset in machine.bus.where(address):
        if seat.plain is not None and seat.plain.read is not None:
            byte = value if seat.takes_data is None else seat.takes_data[value]
            seat.plain.read[offset] = byte
            machine.bus.memory_changed(seat.slot, offset, offset + 1)
            for history in tuple(machine.histories):
                history.poked(address, value)
            return
    raise SimkitError(
        f"There is no memory at ${address:04X}.", remedy="Registers are written by the program, or by card ports."
    )


def check_address(address: int) -> None:
    """Refuse what is no address.

    Raises:
        SimkitError: it is none.
    """
    if not isinstance(address, int) or not 0 <= address <= 0xFFFF:
        raise SimkitError(f"{address!r} is not an address.", remedy="Write 0 to $FFFF.")
