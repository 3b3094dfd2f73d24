"""The timing budget of a machine: of the CPU and of each card what is left of the time that the clock leaves.

Where the machine file names a part, its sums count. Where it names none, there is a row for each part known that fits
the card, and nothing is judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import attrs

from simkit.backplane.seat import titled
from simkit.contract.limits import Limit
from simkit.machine.machine import Machine
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.figures import RAM_OR_ROM, Part
from simkit.machinefile.timing import NOBODY, CpuTiming, Named
from simkit.timing.limits import clock_paths, limits_of, waits_of
from simkit.timing.paths import Path, is_late, period_ns, worst_of
from simkit.timing.sums import CardSums, Conditions, Wired, conditions_of, cpu_paths, each, with_part


@attrs.frozen
class Row:
    """One part that may be in a socket, with its sums.

    Attributes:
        part: the part; nobody, where none is known.
        paths: its sums.
    """

    part: Named
    paths: tuple[Path, ...]

    def worst(self, period: float) -> Path | None:
        """The sum with the least slack, of those that do not fail on paper alone."""
        return worst_of(self.paths, period)

    def is_late(self, period: float) -> bool:
        """Whether any sum is too long."""
        worst = self.worst(period)
        return worst is not None and is_late(worst.slack(period))

    @property
    def highest_mhz(self) -> float | None:
        """Highest clock of all its sums."""
        clocks = [path.highest_mhz for path in self.paths if not path.on_paper and path.highest_mhz is not None]
        return min(clocks) if clocks else None


@attrs.frozen(kw_only=True)
class CardBudget:
    """The sums of a card.

    Attributes:
        slot: its slot.
        title: what people call it.
        kind: of card.
        wired: how its strobes are made.
        waits: cycles by which it delays a read, and a write.
        is_named: whether the machine file names its part.
        on_the_way: whether it names anything on the way to it.
        open: what it does not name, in words.
        rows: by part, one where it is named with its grade.
        behind: sums of what lies behind its part: clocks, latches, strobes.
    """

    slot: int
    title: str
    kind: str
    wired: Wired
    waits: tuple[int, int]
    is_named: bool
    on_the_way: bool
    open: tuple[str, ...]
    rows: tuple[Row, ...]
    behind: tuple[Path, ...]

    def is_late(self, period: float) -> bool:
        """Whether what is named is too slow: each row, and anything behind the card's part."""
        judged = self.is_named or self.on_the_way
        rows = [row for row in self.rows if row.paths]
        return (judged and bool(rows) and all(row.is_late(period) for row in rows)) or any(
            is_late(path.slack(period)) for path in self.behind
        )

    @property
    def highest_mhz(self) -> float | None:
        """Highest clock of what is named: the best of the rows, and what lies behind."""
        judged = self.is_named or self.on_the_way
        rows = [row.highest_mhz for row in self.rows if judged and row.highest_mhz is not None]
        behind = [path.highest_mhz for path in self.behind if path.highest_mhz is not None]
        clocks = [*([max(rows)] if rows else []), *behind]
        return min(clocks) if clocks else None


@attrs.frozen(kw_only=True)
class Budget:
    """The budget of a machine.

    Attributes:
        machine: its name.
        clock_hz: for which the sums are made.
        conditions: under which.
        timing: what the machine file says of the CPU.
        kind: of the CPU.
        cpus: a row for each CPU that it may be.
        taken: the CPU with which the sums of cards are made.
        cards: by slot.
    """

    machine: str
    clock_hz: Fraction
    conditions: Conditions
    timing: CpuTiming
    kind: str
    cpus: tuple[Row, ...]
    taken: Named
    cards: tuple[CardBudget, ...]

    @property
    def period(self) -> float:
        """One period of the clock, in ns."""
        return period_ns(self.clock_hz)

    @property
    def cpu_is_late(self) -> bool:
        """Whether the CPU is named and none that goes by the name follows the clock."""
        return bool(self.timing.part) and all(row.is_late(self.period) for row in self.cpus)

    @property
    def is_late(self) -> bool:
        """Whether anything that is named is too slow."""
        return self.cpu_is_late or any(card.is_late(self.period) for card in self.cards)

    @property
    def highest_mhz(self) -> float | None:
        """Highest clock of all that is named; None: nothing is."""
        cpus = [row.highest_mhz for row in self.cpus if self.timing.part and row.highest_mhz is not None]
        cards = [card.highest_mhz for card in self.cards if card.highest_mhz is not None]
        clocks = [*([max(cpus)] if cpus else []), *cards]
        return min(clocks) if clocks else None

    def card(self, slot: int) -> CardBudget | None:
        """That of a slot."""
        return next((card for card in self.cards if card.slot == slot), None)


def budget(machine: Machine, column: str) -> Budget:
    """The budget of a machine, at its clock, in a column of the data sheets.

    Raises:
        CardError: a card's class fails when it is asked for its limits.
    """
    description = machine.description
    timing, table = description.cpu_timing, description.part_table()
    conditions = conditions_of(description, column, (0, 0))
    candidates = timing.part.parts or table.fitting(description.cpu)
    cpus = tuple(Row(one, tuple(cpu_paths(one, conditions))) for one in _each(candidates))
    taken = _taken(cpus, period_ns(description.clock_hz))
    around = with_part(timing, taken)
    seats = {seat.slot: seat for seat in machine.bus.seats}
    cards = [
        _card(description, card, around, column, waits_of(seats[card.slot]))
        for card in description.cards
        if card.slot in seats
    ]
    return Budget(
        machine=description.name,
        clock_hz=description.clock_hz,
        conditions=conditions,
        timing=timing,
        kind=description.cpu,
        cpus=cpus,
        taken=taken,
        cards=tuple(cards),
    )


def _each(parts: Sequence[Part]) -> tuple[Named, ...]:
    return each(Named("any", tuple(parts)))


def _taken(cpus: Sequence[Row], period: float) -> Named:
    """The CPU of the sums: the slowest at 5 V that follows the clock; where none does, the quickest."""
    if not cpus:
        return NOBODY
    usual = [row for row in cpus if row.part.parts[0].supply[:1] in ("", "5")]
    following = [row for row in usual or cpus if not row.is_late(period)]
    following = following or [row for row in cpus if not row.is_late(period)]

    def quick(row: Row) -> float:
        return row.highest_mhz or 0.0

    return (min(following, key=quick) if following else max(cpus, key=quick)).part


def _card(
    description: Description, card: CardDescription, around: CpuTiming, column: str, waits: tuple[int, int]
) -> CardBudget:
    table = description.part_table()
    wired = Wired.of(card, table, description.wiring)
    conditions = conditions_of(description, column, waits)
    candidates = card.part.parts or _fitting(card, table.fitting(card.card.kind))
    sums = [CardSums(around, wired, card.timing, one, conditions) for one in _each(candidates)]
    rows = tuple(Row(one.part, tuple(one.paths())) for one in sums)
    limits = limits_of(card, description.clock_hz)
    behind = [sums[0].behind(one) for one in limits if not one.named]
    behind += clock_paths(card, description.clock_hz, column)
    return CardBudget(
        slot=card.slot,
        title=titled(card.card, card.slot),
        kind=card.kind,
        wired=wired,
        waits=waits,
        is_named=bool(card.part),
        on_the_way=bool(card.timing.named() or card.decode),
        open=tuple(_open(card, wired, limits, any(path.key == "write-pulse" for row in rows for path in row.paths))),
        rows=rows,
        behind=tuple(behind),
    )


def _fitting(card: CardDescription, parts: Sequence[Part]) -> tuple[Part, ...]:
    """Parts of the card's size and of the kind that its setting names, where there are any."""
    said = getattr(card.settings, "part", None)
    found = [part for part in parts if not part.setting or said is None or said in part.setting]
    size = card.board.image_size or getattr(card.settings, "size", None)
    sized = [part for part in found if part.size is None or part.size == size]
    return tuple(sized or found)


def _open(card: CardDescription, wired: Wired, limits: Sequence[Limit], is_strobed: bool) -> list[str]:
    """Keys that the card does not say and whose parts would count; a write strobe, where there are sums of it."""
    timing = card.timing
    found = [] if card.part or not wired.role else ["part"]
    ways = wired.ways
    found += [] if any(ways.select) else ["decode"]
    found += [] if timing.buffer else ["buffer"]
    found += ["read_gate"] if wired.role == RAM_OR_ROM and not any(ways.read) else []
    found += ["write_gate"] if is_strobed and not any(ways.write) else []
    if not wired.role and not timing.port and any("r" in one.access for one in card.board.registers):
        found.append("port")
    if not wired.role and not timing.latch and any("w" in one.access for one in card.board.registers):
        found.append("latch")
    return found + [one.named for one in limits if one.named and not getattr(timing, one.named)]
