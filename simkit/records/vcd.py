"""Value change dumps of bus cycles: every line over real time, for waveform viewers; written piece by piece.

What is drawn of a cycle: PHI2 falls as it begins, rises half a period later and falls as it ends; where it is stretched
it stays high for so much longer. Address, R/W, SYNC, selects
and all other lines change ADDRESS_DELAY after the fall that begins it, data DATA_DELAY after the rise, each a quarter
of the period at most. These are the longest delays of the W65C02S at 5 V; other parts have others, and selects come
later by what their decoder takes: order and cycle are true here, nanoseconds are not. Whoever samples as PHI2 falls
reads what the CPU and the cards do. Between two bytes the data lines keep the one before; nothing floats.

Sources:
    IEEE Std 1364-2005, 18 (value change dump files); pyvcd writes it.
    Western Design Center, W65C02S data sheet, Table 6-3: tADS 30 ns and tMDS 25 ns at 5 V.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np
from vcd.writer import VCDWriter

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.records.observed import Observed, Words

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

ADDRESS_DELAY = Fraction(30, 10**9)
DATA_DELAY = Fraction(25, 10**9)
NAMED = "RWB"
"""R/W as viewers of this trade find it; the kit's own name is RW."""
VERSION = "simkit"
VCD = Format("a value change dump written by simkit", lambda content: b"$version simkit $end" in content[:400])

_UNITS = ("s", "ms", "us", "ns", "ps", "fs")
_BACKPLANE = "backplane"


class VcdFile:
    """A value change dump that grows.

    Args:
        machine: names and clock.
        names: lines that are written, as `Observer` takes them, in any order.
        write: takes text as it comes.
        first: cycle with which it begins.
        comment: stands in the file.

    Attributes:
        tick: unit of its times, in seconds.
        cycles: bus cycles in it.
    """

    def __init__(
        self, machine: Machine, names: tuple[str, ...], write: Callable[[str], object], first: int, comment: str = ""
    ) -> None:
        self._period = 1 / machine.clock_hz
        quarter = self._period / 4
        self._offsets = (min(ADDRESS_DELAY, quarter), self._period / 2, self._period / 2 + min(DATA_DELAY, quarter))
        number, unit, self.tick = timescale(self._period, *self._offsets)
        self.cycles = 0
        file = cast(IO[str], _Into(write))
        self._next = first
        start = self._begin_of(first)
        self._writer = VCDWriter(
            file,
            timescale=(number, unit),
            date="",
            comment=comment,
            version=VERSION,
            check_values=False,
            init_timestamp=start,
        )
        self._names = names
        self._vectors: list[tuple[Any, list[int]]] = []
        self._data: tuple[Any, list[int]] | None = None
        self._phi2 = self._writer.register_var(_BACKPLANE, "PHI2", "wire", 1, init=0)
        self._register(machine)

    def _register(self, machine: Machine) -> None:
        writer = self._writer
        by_line: dict[str, Any] = {}
        names = _Names()
        for name, lines in (("A", ADDRESS_LINES), ("D", DATA_LINES)):
            if not set(lines) <= set(self._names):
                continue
            variable = writer.register_var(_BACKPLANE, name, "wire", len(lines), bit_index=(len(lines) - 1, 0))
            places = [self._names.index(line) for line in lines]
            if name == "D":
                self._data = variable, places
            else:
                self._vectors.append((variable, places))
        bus = {*ADDRESS_LINES, *DATA_LINES} if self._vectors and self._data else set[str]()
        for place, name in enumerate(self._names):
            if name in bus:
                continue
            slot, _, pin = name.rpartition(".")
            scope = _of_slot(machine, int(slot)) if slot.isdecimal() else (_BACKPLANE,)
            shown = NAMED if name == "RW" else (pin if slot.isdecimal() else name)
            by_line[name] = writer.register_var(scope, names.of(scope, shown), "wire", 1)
            self._vectors.append((by_line[name], [place]))
        for seat in machine.bus.seats:
            for pin, joined in seat.connector.pins.items():
                line = joined.line.name if joined.line is not None else None
                if line in by_line and f"{seat.slot}.{pin}" not in by_line:
                    scope = _of_slot(machine, seat.slot)
                    writer.register_alias(scope, names.of(scope, pin), by_line[line])

    def _times(self, cycles: list[int], offset: Fraction) -> list[int]:
        """In ticks, each rounded by itself, so that no error adds up."""
        period, begin = self._period / self.tick, offset / self.tick
        below = 2 * period.denominator * begin.denominator
        each, first = int(period * below), int(begin * below) + below // 2
        return [(cycle * each + first) // below for cycle in cycles]

    def _begin_of(self, cycle: int) -> int:
        return self._times([cycle], Fraction(0))[0]

    def add(self, observed: Observed) -> None:
        """Add bus cycles, which go on where those before ended.

        Raises:
            SimkitError: they do not: the machine was switched off and on between, or a state was loaded.
        """
        if not len(observed):
            return
        cycles = observed.cycles.cycle
        if int(cycles[0]) < self._next:
            raise SimkitError(
                f"Time goes back from cycle {self._next} to {int(cycles[0])}; a value change dump goes forward only.",
                remedy="Trace one power-on at a time: --from and --for say which part.",
            )
        levels, change = observed.levels, self._writer.change
        columns = [_column(levels, places) for _, places in self._vectors]
        variables = [variable for variable, _ in self._vectors]
        values = [column.tolist() for column in columns]
        movers: list[list[int]] = [[] for _ in range(len(levels))]  # by cycle, which of them move in it
        for number, column in enumerate(columns):
            for at in _moves(column):
                movers[at].append(number)
        ends = cycles.tolist()  # a stretched cycle has the number of its last period
        firsts = [self._next if self.cycles else ends[0], *(cycle + 1 for cycle in ends[:-1])]
        begins, puts, rises, gives = (self._times(firsts, offset) for offset in (Fraction(0), *self._offsets))
        phi2, data = self._phi2, self._data
        given = _column(levels, data[1]).tolist() if data is not None else []
        for at, moving in enumerate(movers):
            change(phi2, begins[at], 0)
            for number in moving:
                change(variables[number], puts[at], values[number][at])
            change(phi2, rises[at], 1)
            if data is not None:
                change(data[0], gives[at], given[at])
        self._next = int(cycles[-1]) + 1
        self.cycles += len(observed)

    def close(self) -> None:
        """Write the fall that ends the last cycle."""
        if self.cycles:
            self._writer.change(self._phi2, self._begin_of(self._next), 0)
        self._writer.close(self._begin_of(self._next))


def timescale(*lengths: Fraction) -> tuple[int, str, Fraction]:
    """Number, unit and length of the longest tick of which all lengths are whole multiples; else of a picosecond.

    A tick of a picosecond or less rounds each edge by half of it at most.
    """
    for number in range(1, 16):
        tick = Fraction(1, 10**number)
        if all((length / tick).denominator == 1 for length in lengths):
            break
    else:
        number = 12
    exponent = -(-number // 3)
    return 10 ** (exponent * 3 - number), _UNITS[exponent], Fraction(1, 10**number)


class _Into:
    """The little of a file that the writer uses."""

    def __init__(self, write: Callable[[str], object]) -> None:
        self.write = write

    def flush(self) -> None:
        """Nothing waits here."""


def _of_slot(machine: Machine, slot: int) -> tuple[str, str]:
    return _BACKPLANE, _word(f"slot_{slot}_{machine.bus.by_slot[slot].kind}")


class _Names:
    """Names of variables, each once in its scope, also where two differ in what no viewer takes."""

    def __init__(self) -> None:
        self._used: set[tuple[tuple[str, ...], str]] = {((_BACKPLANE,), name) for name in ("A", "D", "PHI2")}

    def of(self, scope: tuple[str, ...], name: str) -> str:
        """One that is free, as like as can be."""
        word = _word(name)
        free = next(one for one in (word, *(f"{word}_{n}" for n in range(2, 1000))) if (scope, one) not in self._used)
        self._used.add((scope, free))
        return free


def _word(name: str) -> str:
    """The name without what no viewer takes for part of one."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "_$") else "_" for c in name) or "_"


def _column(levels: Words, places: list[int]) -> Words:
    found = np.zeros(len(levels), np.uint64)
    for bit, place in enumerate(places):
        found |= (levels >> np.uint64(place) & np.uint64(1)) << np.uint64(bit)
    return found


def _moves(column: Words) -> list[int]:
    """Where a column has another value than in the row before; the first row is one."""
    return [0, *(np.flatnonzero(column[1:] != column[:-1]) + 1).tolist()]
