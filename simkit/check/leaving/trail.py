"""What was on the bus up to one moment: who wrote each address last, and the bus cycles of the last instruction."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import SYNC, Kind
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, marks

LAST_CYCLES = 64
"""Bus cycles that are kept, held ones without their repeats: ten instructions or more."""

_ADDRESSES = 0x1_0000
_NEVER = -1
_BY_SEQUENCE = -1


@attrs.frozen
class Row:
    """One bus cycle.

    Attributes:
        cycle: its number.
        address: on the address lines.
        data: at the data pins of the CPU.
        kind: what the CPU did.
        is_write: R/W low.
    """

    cycle: int
    address: int
    data: int
    kind: Kind
    is_write: bool


@attrs.frozen
class Written:
    """The last write to an address.

    Attributes:
        cycle: when.
        data: the byte.
        pc: the instruction; None: an interrupt sequence.
    """

    cycle: int
    data: int
    pc: int | None


class Trail:
    """Runs a machine to a moment and remembers who wrote where last.

    Args:
        machine: in cycle 0; it is run.
        until: cycle of an opcode fetch: the machine stands before it when all is run.

    Attributes:
        machine: as it stands.
    """

    def __init__(self, machine: Machine, until: int) -> None:
        self.machine = machine
        self._cycle = np.full(_ADDRESSES, _NEVER, np.int64)
        self._data = np.zeros(_ADDRESSES, np.uint8)
        self._pc = np.full(_ADDRESSES, _BY_SEQUENCE, np.int32)
        self._fetched = _BY_SEQUENCE  # the instruction under way
        self._near = 0
        self._tail = Cycles(np.empty(0, np.uint64))
        self._until = until
        self._record = machine.bus.record(self._take)

    def go_on(self, cycles: int) -> bool:
        """Run so much of it; whether there is more."""
        self.machine.run_to(min(self._until, self.machine.cycle + cycles))
        if self.machine.cycle < self._until:
            return True
        self._record.remove()
        return False

    def whole(self) -> Trail:
        """Run all of it, and give it."""
        self.go_on(self._until)
        return self

    def written(self, address: int) -> Written | None:
        """The last write to an address; None: there was none since power-on."""
        if self._cycle[address] == _NEVER:
            return None
        pc = int(self._pc[address])
        return Written(int(self._cycle[address]), int(self._data[address]), None if pc == _BY_SEQUENCE else pc)

    def written_addresses(self) -> list[int]:
        """Addresses that were written since power-on, rising."""
        addresses: list[int] = np.flatnonzero(self._cycle != _NEVER).tolist()
        return addresses

    def _take(self, records: memoryview) -> None:
        words = np.frombuffer(records, "<u8").copy()
        words = words[~marks(words)]
        if not len(words):
            return
        part = Cycles(words, self._near)
        writes = np.flatnonzero(part.is_write)
        by = self._instructions(part)
        cycle = part.cycle.astype(np.int64)
        at = part.address[writes]  # of two writes to one address the later one stays, as numpy assigns in order
        self._cycle[at] = cycle[writes]
        self._data[at] = part.data[writes]
        self._pc[at] = by[writes]
        self._fetched = int(by[-1])
        self._near = int(cycle[-1])
        once = words[~part.is_repeat]
        self._tail = Cycles(np.concatenate((self._tail.words, once))[-LAST_CYCLES:], self._near)

    def _instructions(self, part: Cycles) -> NDArray[np.int32]:
        """The instruction that does each cycle; _BY_SEQUENCE in sequences."""
        kind = part.kind
        begins = np.isin(kind, SYNC) | (kind == Kind.RESET)
        named = np.where(kind == Kind.FETCH, part.address.astype(np.int32), np.int32(_BY_SEQUENCE))
        latest = np.maximum.accumulate(np.where(begins, np.arange(len(kind)), _NEVER))
        return np.where(latest == _NEVER, np.int32(self._fetched), named[latest])

    def last(self) -> tuple[tuple[Row, ...], ...]:
        """The last instructions and sequences, each with its bus cycles."""
        tail, units = self._tail, list[list[Row]]()
        columns = (tail.cycle, tail.address, tail.data, tail.kind, tail.is_write)
        for cycle, address, data, kind, is_write in zip(*(column.tolist() for column in columns), strict=True):
            row = Row(cycle, address, data, Kind(kind), is_write)
            goes_on = units and units[-1][-1].kind is Kind.RESET
            if kind in SYNC or (kind == Kind.RESET and not goes_on):
                units.append([])
            if units:
                units[-1].append(row)
        return tuple(map(tuple, units))
