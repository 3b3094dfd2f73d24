"""What disagrees between a schematic and the machine file, in words and for programs."""

from __future__ import annotations

from typing import Any

import attrs

from simkit.backplane.areas import areas
from simkit.backplane.select import ranges

SELECT = "select"
REGISTER_SELECT = "register select"
DATA_LINE = "data line"
READ_STROBE = "read strobe"
WRITE_STROBE = "write strobe"
LINE = "line"
INPUT_ORDER = "input order"
MOST_RANGES = 4


@attrs.frozen
class Difference:
    """One thing in which schematic and machine file disagree.

    Attributes:
        what: kind of it: SELECT, DATA_LINE and so on.
        text: what the schematic has and what the machine file says, a sentence or two.
        table: addresses at which they differ; 0 where it is not about addresses.
        nets: names of the nets involved.
        pins: pins involved, "U3.12".
        there: FILE:LINE in the netlist, or FILE.
        here: FILE:LINE in the machine file.
        remedy: what to change.
    """

    what: str
    text: str
    table: int = attrs.field(repr=False)
    nets: tuple[str, ...]
    pins: tuple[str, ...]
    there: str
    here: str
    remedy: str

    @property
    def first(self) -> int | None:
        """First address at which they differ."""
        return ranges(self.table)[0][0] if self.table else None

    def sentence(self) -> str:
        """For people, with both places."""
        return f"{self.there}: {self.text} The machine file says so at {self.here}. {self.remedy}"

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        found = attrs.asdict(self)
        del found["table"]
        return {**found, "ranges": [list(pair) for pair in ranges(self.table)[:MOST_RANGES]]}


@attrs.frozen
class Result:
    """A netlist beside a card.

    Attributes:
        slot: of the card.
        file: the netlist.
        roles: what was taken for what, a sentence each.
        differences: what disagrees.
        compared: kinds of things that were compared, and how many of each.
        notes: what could not be compared, and parts that are not known.
    """

    slot: int
    file: str
    roles: tuple[str, ...]
    differences: tuple[Difference, ...]
    compared: dict[str, int]
    notes: tuple[str, ...]

    def lines(self) -> list[str]:
        """For people: what disagrees, what agrees, what was taken for what."""
        counted = ", ".join(f"{count} {_many(what, count)}" for what, count in self.compared.items() if count)
        agrees = "agrees" if not self.differences else f"differs in {len(self.differences)}"
        return [
            *(one.sentence() for one in self.differences),
            f"{self.file}: the schematic of slot {self.slot} {agrees}; compared were {counted or 'nothing'}.",
            *self.roles,
            *self.notes,
        ]

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        return {
            "slot": self.slot,
            "netlist": self.file,
            "differences": [one.as_dict() for one in self.differences],
            "compared": self.compared,
            "roles": list(self.roles),
            "notes": list(self.notes),
        }


def where(table: int) -> str:
    """Addresses of a table for people: its first ranges."""
    return areas(table, MOST_RANGES)


def _many(what: str, count: int) -> str:
    return what if count == 1 else f"{what}s"
