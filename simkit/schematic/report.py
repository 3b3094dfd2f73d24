"""What the parts of a check tell: differences with their places, how much was compared, what could not be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from simkit.backplane.bus import Bus
from simkit.backplane.seat import Seat
from simkit.machinefile.description import CardDescription
from simkit.schematic.board import Board
from simkit.schematic.expected import combinations, driven_lines
from simkit.schematic.found import Difference


class Report:
    """Gathers what is found about one card.

    Attributes:
        board: the schematic.
        bus: of the machine.
        seat: of the card.
        card: as the machine file describes it.
        others: slots of other boards of logic parts that are on the schematic, too.
        followed: lines between cards that were compared with the bits they are.
        differences, roles, notes, compared: what was found, see `Result`.
    """

    def __init__(self, board: Board, bus: Bus, seat: Seat, card: CardDescription) -> None:
        self.board = board
        self.bus = bus
        self.seat = seat
        self.card = card
        self.others: set[int] = set()
        self.followed: set[str] = set()
        self.differences: list[Difference] = []
        self.roles: list[str] = []
        self.notes: list[str] = []
        self.compared: Counter[str] = Counter()

    def cases(self) -> list[dict[str, bool]]:
        """Levels of the lines that cards drive into the select, case by case; a line without a net is told."""
        lines = driven_lines(self.bus, self.seat)
        there = tuple(line for line in lines if line in self.board.lines)
        for line in lines:
            if line not in there:
                self.note(f"No net is called {line}, which stands in the select: its level is taken as high.")
        return combinations(self.bus, there)

    def differ(
        self,
        what: str,
        text: str,
        *,
        fields: Iterable[str],
        remedy: str,
        table: int = 0,
        nets: Iterable[str | None] = (),
        pins: Iterable[str] = (),
    ) -> None:
        """Tell a difference.

        Args:
            what: kind of it.
            text: what the schematic has and what the machine file says.
            fields: keys of the card of which the first that is there says otherwise.
            remedy: what to change.
            table: addresses at which they differ.
            nets: involved, the first is where to look.
            pins: involved.
        """
        names = tuple(dict.fromkeys(net for net in nets if net is not None))
        netlist = self.board.netlist
        first = next((netlist.nets[name] for name in names if name in netlist.nets), None)
        there = f"{netlist.file}:{first.line}" if first is not None else netlist.file
        found = Difference(what, text, table, names, tuple(dict.fromkeys(pins)), there, str(self.place(fields)), remedy)
        if all((one.what, one.text) != (what, text) for one in self.differences):
            self.differences.append(found)

    def place(self, fields: Iterable[str]) -> object:
        """Where the first of these keys stands, or the card."""
        return self.card.place(next((field for field in fields if field in self.card.origin), ""))

    def role(self, text: str) -> None:
        """Tell once what a part was taken for."""
        if text not in self.roles:
            self.roles.append(text)

    def note(self, text: str) -> None:
        """Tell something once."""
        if text not in self.notes:
            self.notes.append(text)
