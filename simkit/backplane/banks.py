"""Decode tables: one for each combination of the lines that stand in selects, strobes and address pins (banks)."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane.decode import Table
from simkit.backplane.seat import Seat
from simkit.backplane.wiring import Wiring
from simkit.contract.lines import Line
from simkit.contract.nets import Nets

Decoding = tuple[object, tuple[bool, ...]]
"""How the machine is wired, and the levels of the lines."""


def decode_lines(seats: Sequence[Seat], nets: Nets, wiring: Wiring) -> tuple[Line, ...]:
    """Lines by which addresses are decoded, beside those of the CPU, by name."""
    names = wiring.sources()
    for seat in seats:
        names |= seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
        names |= seat.wiring.sources()
    return tuple(nets.line(name) for name in sorted(wiring.heard(names) - {"RW", "PHI2"}))


class Banks:
    """Decode tables by the levels of `lines`, each made when it is first needed.

    Wiring that comes and goes has tables of its own for each way in which the machine is then wired.

    Attributes:
        lines: by which addresses are decoded.
        remade: number that rises whenever all tables are made anew.
    """

    def __init__(
        self,
        seats: Sequence[Seat],
        lines: tuple[Line, ...],
        wiring: Wiring | None = None,
        released: tuple[int, int] = (0xFF, 0),
    ) -> None:
        self.remade = 0
        self._seats = seats
        self._tables: dict[Decoding, Table] = {}
        self._numbers: dict[Decoding, int] = {}
        self._lines: dict[object, tuple[Line, ...]] = {}
        self.wire(None, lines, wiring, released)

    def wire(
        self, way: object, lines: tuple[Line, ...], wiring: Wiring | None, released: tuple[int, int] = (0xFF, 0)
    ) -> None:
        """Decode as the machine is wired from now on.

        Args:
            way: how; the same whenever it is so again.
            lines: by which addresses are decoded then.
            wiring: what is done to lines for all.
            released: what `open_bus_levels` gave.
        """
        self._way = way
        self.lines = self._lines[way] = lines
        self._wiring = wiring
        self._released = released

    def forget(self) -> None:
        """Wiring or memory buffers changed: all tables are stale."""
        self._tables.clear()
        self.remade += 1

    @property
    def present(self) -> tuple[Table, int]:
        """Decoding with the lines as they are, and its number: that of these levels as long as the machine lives."""
        decoding = self._way, tuple([line.level for line in self.lines])
        number = self._numbers.get(decoding)
        if number is None:
            number = self._numbers[decoding] = len(self._numbers)
        return self._of(decoding), number

    @property
    def number(self) -> int:
        """Number of the decoding as it is."""
        return self.present[1]

    @property
    def since(self) -> int:
        """Cycle from which the decoding as it is counts."""
        return max((line.since for line in self.lines), default=0)

    def levels(self, number: int) -> dict[str, bool]:
        """Levels of the lines, of a decoding's number."""
        way, levels = list(self._numbers)[number]
        return {line.name: level for line, level in zip(self._lines[way], levels, strict=True)}

    def way(self, number: int) -> object:
        """How the machine was wired, of a decoding's number; see `wire`."""
        return list(self._numbers)[number][0]

    def table(self, number: int) -> Table:
        """How addresses are decoded under the decoding of that number."""
        return self._of(list(self._numbers)[number])

    def at(self, levels: Sequence[bool]) -> Table:
        """How addresses are decoded with the lines at these levels, in the order of `lines`."""
        return self._of((self._way, tuple(levels)))

    def _of(self, decoding: Decoding) -> Table:
        table = self._tables.get(decoding)
        if table is None:
            way, levels = decoding
            by_name = {line.name: level for line, level in zip(self._lines[way], levels, strict=True)}
            table = self._tables[decoding] = Table(self._seats, by_name, self._wiring, self._released)
        return table
