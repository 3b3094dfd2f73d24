"""Memory that a program reads before it sets it: what stands there is of the power-up, and tells nothing of a fault.

The 6502 reads more than programs ask for: RTS reads the stack below the return address, a branch the opcode behind it.
In memory that nobody set such a read gives another byte at each power-up, in every round of a loop, on the bus.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.machine.machine import Machine
from simkit.suspect.known import gathered

Words = NDArray[np.uint64]


def unset(runs: Sequence[Words], names: Sequence[str]) -> NDArray[np.bool_]:
    """Addresses that give one byte throughout a run until they are written, and another in another run; (65536,).

    Args:
        runs: levels of each, from power-on.
        names: lines; bit i of a word belongs to names[i].
    """
    each = [_before_written(levels, names) for levels in runs]
    found: NDArray[np.bool_] = np.zeros(0x1_0000, bool)
    if len(each) > 1:
        steady = np.logical_and.reduce([low == high for low, high in each])
        lows = np.stack([low for low, _ in each])
        found = steady & (lows != lows[0]).any(axis=0) & (lows >= 0).all(axis=0)
    return found


def _before_written(levels: Words, names: Sequence[str]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The least and the greatest byte that each address gives before it is written; -1, 256 where it is not read."""
    address, data, read = _parts(levels, names)
    before = _reads_before_writes(address, read)
    low, high = np.full(0x1_0000, 256, np.int64), np.full(0x1_0000, -1, np.int64)
    np.minimum.at(low, address[before], data[before])
    np.maximum.at(high, address[before], data[before])
    low[high < 0] = -1
    high[high < 0] = 256
    return low, high


def _reads_before_writes(address: NDArray[np.uint32], read: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows in which an address is read that was not written before."""
    written = np.full(0x1_0000, len(address), np.int64)
    cells, rows = np.unique(address[~read], return_index=True)
    written[cells] = np.flatnonzero(~read)[rows]
    found: NDArray[np.bool_] = read & (np.arange(len(address)) < written[address])
    return found


def without_power_up(levels: Words, names: Sequence[str], memory: NDArray[np.bool_]) -> Words:
    """Levels of a run with the data lines low where memory is read that nobody wrote until then.

    Args:
        levels: from power-on.
        names: lines; bit i of a word belongs to names[i].
        memory: addresses at which there is memory that the power-up fills; (65536,).
    """
    address, _, read = _parts(levels, names)
    return _with_data_low(levels, names, _reads_before_writes(address, read) & memory[address])


def power_up_memory(machine: Machine) -> NDArray[np.bool_]:
    """Addresses at which reads reach memory that takes writes and has no image; (65536,)."""
    found = np.zeros(0x1_0000, bool)
    for seat, driven, *_ in machine.bus.reach.table.selects:
        if seat.plain is not None and not seat.plain.ignores_writes and seat.image_size is None:
            found |= np.unpackbits(np.frombuffer(driven.to_bytes(1 << 13, "little"), np.uint8), bitorder="little") != 0
    return found


def without_unset(levels: Words, names: Sequence[str], addresses: NDArray[np.bool_]) -> Words:
    """Levels with the data lines low where such memory is read."""
    if not addresses.any():
        return levels
    address, _, read = _parts(levels, names)
    return _with_data_low(levels, names, read & addresses[address])


def _with_data_low(levels: Words, names: Sequence[str], rows: NDArray[np.bool_]) -> Words:
    lines = np.uint64(sum(1 << list(names).index(name) for name in DATA_LINES))
    found: Words = np.where(rows, levels & ~lines, levels)
    return found


def _parts(levels: Words, names: Sequence[str]) -> tuple[NDArray[np.uint32], NDArray[np.uint32], NDArray[np.bool_]]:
    read = gathered(levels, names, ("RW",)) != 0
    return gathered(levels, names, ADDRESS_LINES), gathered(levels, names, DATA_LINES), read
