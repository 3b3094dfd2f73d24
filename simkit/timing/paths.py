"""A path: what must happen one after the other, and the periods of the clock that are there for it."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import attrs

from simkit.contract.limits import TINY_NS
from simkit.machinefile.figures import FROM_MEMORY, Source
from simkit.machinefile.timing import Named

ROUNDING_NS = 0.5
"""Sheets have whole ns: of a period of 125 ns 62 are high and 63 low. What is missing by less is not missing."""


@attrs.frozen(kw_only=True)
class Term:
    """One time of a sum.

    Attributes:
        part: whose it is, as the machine file or the table names it.
        what: which of its figures, in words.
        least: ns, of the quickest part that it may be.
        most: ns, of the slowest. Times that are gained are below zero.
        columns: of the sheets in which the numbers stand.
        sources: of the numbers.
        of_cpu: whether it is the CPU's, or of what stands between it and the backplane.
    """

    part: str
    what: str
    least: float
    most: float
    columns: tuple[str, ...] = ()
    sources: tuple[Source, ...] = ()
    of_cpu: bool = False

    @property
    def name(self) -> str:
        """Whose it is and what, without the name of a CPU, of which a machine has one."""
        return f"CPU {self.what}" if self.of_cpu and "buffer" not in self.what else f"{self.part} {self.what}"

    @property
    def from_memory(self) -> bool:
        """Whether it rests on what nobody has looked up."""
        return any(source.basis == FROM_MEMORY for source in self.sources)


@attrs.frozen(kw_only=True)
class Path:
    """What must happen one after the other.

    Attributes:
        key: for programs.
        what: in words.
        periods: of the clock that are there for it, 0.5 for the time of PHI2 high; below zero where a period may be
            too long; 0 where the clock does not matter.
        terms: what it takes, one after the other.
        from_rise: whether it begins with the rise of PHI2; otherwise with its fall, as the cycle does.
        on_paper: whether it fails in sums alone: minimum delays are not in sheets, and parts have them.
        unknown: parts that are named and of which the sheet has no such figure in the column asked for.
    """

    key: str
    what: str
    periods: float
    terms: tuple[Term, ...]
    from_rise: bool = False
    on_paper: bool = False
    unknown: tuple[str, ...] = ()

    @property
    def takes(self) -> float:
        """How long it takes with the slowest parts that are named, in ns."""
        return sum(term.most for term in self.terms)

    @property
    def takes_at_least(self) -> float:
        """How long it takes with the quickest parts that go by the names, in ns."""
        return sum(term.least for term in self.terms)

    def slack(self, period_ns: float) -> float:
        """What is left of the time, in ns; below zero it is too late."""
        return self.periods * period_ns - self.takes

    def best_slack(self, period_ns: float) -> float:
        """What is left with the quickest parts that go by the names."""
        return self.periods * period_ns - self.takes_at_least

    @property
    def highest_mhz(self) -> float | None:
        """Highest clock at which nothing is too late; None: the clock does not matter, or any will do."""
        return self.periods / self.takes * 1000 if self.periods > 0 and self.takes > 0 else None


def term(
    named: Named, figure: str, what: str, column: str, *, of_cpu: bool = False, gained: bool = False
) -> Term | None:
    """A figure of a part as a term; None: no sheet of the parts that go by the name has it.

    Args:
        named: the part.
        figure: its name.
        what: in words.
        column: of the sheet.
        of_cpu: whether the part is the CPU.
        gained: whether the time is won.
    """
    values = [value for part in named.parts if (value := part.figure(figure, column)) is not None]
    if not values:
        return None
    numbers = [-value.number if gained else value.number for value in values]
    return Term(
        part=named.text,
        what=what,
        least=min(numbers),
        most=max(numbers),
        columns=tuple(dict.fromkeys(value.column for value in values)),
        sources=tuple(dict.fromkeys(value.source for value in values)),
        of_cpu=of_cpu,
    )


def is_late(slack_ns: float) -> bool:
    """Whether a slack is below zero by more than sheets round."""
    return slack_ns < -ROUNDING_NS - TINY_NS


def period_ns(clock_hz: Fraction) -> float:
    """One period of the clock."""
    return float(1_000_000_000 / clock_hz)


def worst_of(paths: Iterable[Path], period: float) -> Path | None:
    """The path with the least slack that is no matter of paper; None: there is none."""
    real = [path for path in paths if not path.on_paper]
    return min(real, key=lambda path: path.slack(period)) if real else None
