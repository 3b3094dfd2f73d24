"""What ROMs give to the backplane, where wiring has the CPU take something else of it.

The CPU model goes by what the CPU takes. A line that is late or open at the CPU alone hides from it what the card had
on that line; the capture, taken on the backplane, shows it.
"""

from __future__ import annotations

import numpy as np

from simkit.backplane.select import ADDRESS_LINES
from simkit.capture.captured import Captured
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_noise

_NOBODY = -1
_READ = 1 << len(ADDRESS_LINES)


def apart_on_the_lines(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """Rows in which the lines have something else than a ROM puts there, and the first in a sentence.

    No rows where noise may be why, and where the CPU takes what is on the lines.
    """
    bus = machine.bus
    cpu = bus.data_lines.cpu
    if cpu is None or bus.reach.banks.lines:
        return [], ""
    control, control_known = captured.gathered((*ADDRESS_LINES, "RW"))
    data, data_known = captured.data
    rows = np.flatnonzero((control_known == np.uint64(2 * _READ - 1)) & (control & np.uint64(_READ) != 0))
    addresses, number = np.unique(control[rows] & np.uint64(_READ - 1), return_inverse=True)
    held = np.array([_rom_byte(machine, address) for address in addresses.tolist()], np.int64)[number]
    rows, held = rows[held != _NOBODY], held[held != _NOBODY]
    on_lines = np.frombuffer(cpu.lines, np.uint8)[held]
    apart = np.flatnonzero((on_lines ^ data[rows]) & data_known[rows])
    if not is_more_than_noise(len(apart), len(rows)):
        return [], ""
    row = int(rows[apart[0]])
    address = int(control[row]) & _READ - 1
    card = card_name(machine, bus.reach.table.read_plan(address).drivers[0][0].slot)
    gives = f"At ${address:04X} {card} puts ${int(on_lines[apart[0]]):02X} on the backplane"
    return rows[apart].tolist(), f"in cycle {row} of the capture: {gives}; ${int(data[row]):02X} was there."


def _rom_byte(machine: Machine, address: int) -> int:
    """Byte of the ROM that alone answers a read there."""
    drivers = machine.bus.reach.table.read_plan(address).drivers
    if len(drivers) != 1 or drivers[0][2] != 0xFF:
        return _NOBODY
    seat, offset, _ = drivers[0]
    if seat.data is not None or seat.plain is None or seat.plain.read is None or not seat.plain.ignores_writes:
        return _NOBODY
    return seat.plain.read[offset]
