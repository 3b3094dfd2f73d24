"""Bus cycles as lines of text: a column for each slot, then the register or label that is reached, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.machine.told import digits
from simkit.records.bus_rows import MOST_PLACES, NOWHERE, Reached, Row
from simkit.records.bus_stream import Beside

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

_NAME_WIDTH = 20
_KINDS = {"fetch": "", "data": "", "dummy": "dummy", "interrupt": "interrupt", "reset": "reset"}


class BusText:
    """Writes bus cycles as lines.

    Args:
        machine: where the slots and names come from.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._slots = sorted(machine.cards)
        self._widths = [len(str(slot)) for slot in self._slots]
        self._names: dict[tuple[int, int, int], str] = {}

    def head(self) -> list[str]:
        """What stands above the lines."""
        cards = ", ".join(f"{slot} {self._machine.cards[slot].title.partition(' (slot')[0]}" for slot in self._slots)
        columns = " ".join(f"{slot:>{width}}" for slot, width in zip(self._slots, self._widths, strict=True))
        return [
            f"Slots: {cards}.",
            "In a slot's column: r, its card gives the byte; w, it takes it; s, it is selected and does neither.",
            f"{'cycle':>15}  {columns}  {'reached':<{_NAME_WIDTH}}  at     byte",
        ]

    def line(self, row: Row) -> str:
        """A bus cycle."""
        marks = dict.fromkeys(row.selected, "s")
        for one in row.reached:
            marks[one.slot] = ("r" if one.drives else "") + ("w" if one.takes else "")
        columns = " ".join(
            f"{marks.get(slot, '.')[: 1 + (width > 1)]:>{width}}"
            for slot, width in zip(self._slots, self._widths, strict=True)
        )
        way = "<-" if row.is_write else "->"
        byte = f"{row.data:02X}" if row.backplane == row.data else f"{row.data:02X} (backplane {row.backplane:02X})"
        told = [part for part in (self._doing(row), *map(beside_words, row.beside)) if part]
        line = (
            f"{digits(row.cycle):>15}  {columns}  {self._reached(row):<{_NAME_WIDTH}}  ${row.address:04X} {way} {byte}"
        )
        return f"{line}  {'; '.join(told)}" if told else line

    def _reached(self, row: Row) -> str:
        """Names of the registers, or the label of the byte; "" of the program itself."""
        named = [f"{one.slot} {one.register}" for one in row.reached if one.register]
        if named:
            return " and ".join(named)
        if not row.reached:
            return "nobody"
        if row.pc is not None and (row.address - row.pc & 0xFFFF) < 3:
            return ""
        return self._name(row.address, row.reached[0])

    def _name(self, address: int, where: Reached) -> str:
        """Label of a byte in memory, with the distance."""
        key = address, where.slot, where.offset
        found = self._names.get(key)
        if found is None:
            if len(self._names) > MOST_PLACES:
                self._names.clear()
            found = self._names[key] = self._machine.place(address, key[1:]).name or ""
        return found

    def _doing(self, row: Row) -> str:
        parts = []
        if row.instruction:
            place = row.place
            name = f"{place.name}: " if place is not NOWHERE and place.name else ""
            source = f"  ({place.source_line})" if place.source_line else ""
            parts.append(f"{name}{row.instruction}{source}")
        elif _KINDS[row.kind]:
            parts.append(_KINDS[row.kind])
        if row.repeats:
            parts.append("RDY low: the same once more")
        if len(row.drivers) > 1:
            parts.append(f"contention: slots {' and '.join(map(str, row.drivers))} drive")
        elif row.is_write and row.drivers:
            parts.append(f"contention: slot {row.drivers[0]} drives against the CPU")
        return "; ".join(parts)


def beside_words(one: Beside) -> str:
    """What happened beside an access, in words."""
    whose = f"slot {one.slot}" if one.slot is not None else ""
    if one.what == "line":
        name, level = one.words
        return f"{name} {'high' if level else 'low'}"
    if one.what == "event":
        return f"{whose}: {one.words[0]}"
    if one.what == "outside":
        return f"from outside{f' to {whose}' if whose else ''}: {' '.join(map(str, one.words))}"
    return f"finding {one.words[0]}{f', {whose}' if whose else ''}"
