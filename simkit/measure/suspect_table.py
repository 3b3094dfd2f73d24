"""What was measured of the search, in tables and for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import attrs

from simkit.measure.judging import SINGLE, Judged
from simkit.measure.outside import KINDS as OUTSIDE_KINDS
from simkit.measure.rates import percentile, wilson
from simkit.measure.suspect_state import said
from simkit.measure.suspects import Asked
from simkit.measure.symptoms import KINDS

WANTED = {"capture": 0.95, "eight": 0.85, "picture": 0.60, "text": 0.60}
"""How often the true fault should be in the first group."""
MISSES_SHOWN = 5
HOW = (
    "Put in is one fault of the catalogue at a time, drawn by the seed for one of the programs, under a power-up, "
    "moments of keys and buttons and a length of the run that the search never has. Each that its program notices, by "
    "one kind of symptom at least, is judged by every kind that it gives.",
    "In captures 1 % of the cycles have a wrong bit, and at 1 in 500 up to five are missing. A capture has 20,000 "
    "cycles from RESET on, or round the first place where it goes wrong; eight channels are drawn by chance, 2,000 "
    "cycles.",
    "In the first group: the true fault, or one that is electrically equal, is among those that the search puts first, "
    "and it does not say none. In brackets: between which rates the true one lies, 95 % sure.",
    "Group: classes of electrically equal faults that stand first, in half and in nine of ten of the symptoms. Runs "
    "differ: the same, but those are one of which no run of the search differs in anything, such as all that keep a "
    "card from ever being selected.",
    "Another shows it: the search names another fault, and that one, under the very same power-up and hands, shows "
    "the same; nobody can tell them apart. It does not count as found. Captures are the same where they are not unlike "
    "by more than noise.",
    "Measured to one: measurements that the search proposes, answered by the real run, leave the true fault alone.",
    "From outside: two faults of which each shows in what is handed over, mistakes in the program, strobes that are "
    "late. One shows just so: a single fault that the search names, run under the same power-up and hands, shows the "
    "same. One could: before noise came to the capture, the CPU model of a machine with the named fault goes along "
    "with all of it, and no line of any cycle is otherwise; memory that nobody wrote holds what it likes. "
    "Noise hides: the capture is not unlike a sound one by more than what noise does. None of these counts.",
)


@attrs.frozen(kw_only=True)
class Row:
    """Single faults by one kind of symptom.

    Attributes:
        kind: of the symptom.
        program: that was played; "" for all.
        symptoms: that were judged.
        found: of them in whose first group the true fault is.
        alike: of them for which another was named that shows the same.
        none: of them for which no single fault was said to be the cause.
        middle, most: classes in the first group where the true fault is in it: median and 90th percentile.
        apart, most_apart: the same of those alone that some run of the search tells apart.
        asked: of those the ones where measurements left the true class alone.
        few: of those the ones that took at most log2(group) + 2 measurements.
        most_asked: measurements, the most.
        seconds: for a symptom, the mean.
    """

    kind: str
    program: str
    symptoms: int
    found: int
    alike: int
    none: int
    middle: int
    most: int
    apart: int
    most_apart: int
    asked: int
    few: int
    most_asked: int
    seconds: float


@attrs.frozen(kw_only=True)
class OutsideRow:
    """Faults from outside by one kind of symptom and of fault.

    Attributes:
        kind: of the symptom.
        source: of the fault.
        counted: symptoms that count.
        none: of them for which no single fault was said to be the cause.
        alike: symptoms besides that a single fault shows just so.
        possible: symptoms besides of which each cycle could be a single fault's.
        hidden: symptoms besides that noise hides.
    """

    kind: str
    source: str
    counted: int
    none: int
    alike: int
    possible: int
    hidden: int


def row_of(kind: str, judged: Sequence[Judged], program: str = "") -> Row:
    """Row of single faults."""
    own = [one for one in judged if one.kind == kind and one.source == SINGLE and program in ("", one.program)]
    found = [one for one in own if one.found]
    asked = [one for one in found if one.left and one.asked is not None]
    return Row(
        kind=kind,
        program=program,
        symptoms=len(own),
        found=len(found),
        alike=sum(bool(one.alike) for one in own),
        none=sum(one.none for one in own),
        middle=percentile([one.classes for one in found], 0.5),
        most=percentile([one.classes for one in found], 0.9),
        apart=percentile([one.apart for one in found], 0.5),
        most_apart=percentile([one.apart for one in found], 0.9),
        asked=len(asked),
        few=sum(one.asked is not None and _is_few(one.asked, one.classes) for one in asked),
        most_asked=max((one.asked or 0 for one in asked), default=0),
        seconds=sum(one.seconds for one in own) / len(own) if own else 0.0,
    )


def outside_row_of(kind: str, source: str, judged: Sequence[Judged]) -> OutsideRow:
    """Row of faults from outside."""
    own = [one for one in judged if (one.kind, one.source) == (kind, source)]
    counted = [one for one in own if one.counts]
    alike = sum(bool(one.alike) for one in own)
    possible = sum(bool(one.possible) for one in own)
    return OutsideRow(
        kind=kind,
        source=source,
        counted=len(counted),
        none=sum(one.none for one in counted),
        alike=alike,
        possible=possible,
        hidden=len(own) - len(counted) - alike - possible,
    )


def _is_few(asked: int, classes: int) -> bool:
    """At most log2(classes) + 2, in whole numbers."""
    return 1 << max(0, asked - 2) <= classes


def table(judged: Sequence[Judged], asked: Asked, *, whole: bool) -> list[str]:
    """Lines for people; `whole`: all was measured."""
    lines = [
        _noticed(judged, asked, whole=whole),
        f"{'symptom':30}{'count':>6}  {'in the first group':21}{'wanted':>7}{'another shows it':>18}"
        f"{'said none':>21}{'group: half, 9 in 10':>22}{'runs differ':>13}{'measured to one':>17}{'in log2 + 2':>13}"
        f"{'most':>6}{'s each':>8}",
    ]
    for kind in asked.kinds:
        lines.append(_line(KINDS[kind], row_of(kind, judged)))
        rows = [row_of(kind, judged, program) for program in asked.programs]
        lines += [_line(f"  {row.program}", row) for row in rows if len(rows) > 1]
    lines += [
        "",
        "Faults from outside the catalogue: for how many no single fault was said to be the cause; wanted: 95%.",
        f"{'symptom':30}{'fault':16}{'said none':>30}{'one shows just so':>20}{'one could':>12}{'noise hides':>14}",
    ]
    for kind in asked.kinds:
        for source in OUTSIDE_KINDS:
            row = outside_row_of(kind, source, judged)
            told = f"{row.none} of {row.counted}, {_rate(row.none, row.counted)}" if row.counted else "-"
            lines.append(f"{KINDS[kind]:30}{source:16}{told:>30}{row.alike:>20}{row.possible:>12}{row.hidden:>14}")
    return [*lines, *_some_misses(judged, asked), "", "How it was measured:", *(f"- {words}" for words in HOW)]


def _noticed(judged: Sequence[Judged], asked: Asked, *, whole: bool) -> str:
    """How many single faults were judged, and of which programs."""
    pairs = {(one.program, one.fault) for one in judged if one.source == SINGLE}
    by_program = {name: sum(program == name for program, _ in pairs) for name in asked.programs}
    each = ", ".join(f"{name} {number}" for name, number in by_program.items())
    few = f" The catalogue has no more than these that are noticed; wanted were {asked.pairs}." if whole else ""
    return f"Single faults that are noticed: {len(pairs)} ({each}).{few if len(pairs) < asked.pairs else ''}"


def _line(name: str, row: Row) -> str:
    return (
        f"{name:30}{row.symptoms:>6}  {_rate(row.found, row.symptoms):21}{WANTED[row.kind]:>7.0%}{row.alike:>18}"
        f"{_rate(row.none, row.symptoms):>21}{f'{row.middle}, {row.most}':>22}{f'{row.apart}, {row.most_apart}':>13}"
        f"{f'{row.asked} of {row.found}':>17}"
        f"{f'{row.few} of {row.asked}':>13}{row.most_asked:>6}{row.seconds:>8.2f}"
    )


def _some_misses(judged: Sequence[Judged], asked: Asked) -> list[str]:
    """Some of those that went wrong, by kind; of single faults alone: nobody is to learn those from outside."""
    lines: list[str] = []
    for kind in asked.kinds:
        wrong = [one for one in judged if one.kind == kind and one.source == SINGLE and one.is_missed]
        if wrong:
            lines += ["", f"Not found by {KINDS[kind]}, {len(wrong)}, among them:"]
            lines += [f"  {one.program}: {one.fault}: {said(one)}" for one in wrong[:MISSES_SHOWN]]
    return lines


def as_dict(judged: Sequence[Judged], asked: Asked) -> dict[str, Any]:
    """The same for programs, with every judgement."""
    rows = [row_of(kind, judged, program) for kind in asked.kinds for program in ("", *asked.programs)]
    return {
        **attrs.asdict(asked),
        "single": [
            attrs.asdict(row) | {"rate": list(wilson(row.found, row.symptoms)), "wanted": WANTED[row.kind]}
            for row in rows
        ],
        "outside": [
            attrs.asdict(outside_row_of(kind, source, judged)) for kind in asked.kinds for source in OUTSIDE_KINDS
        ],
        "how": list(HOW),
        "judged": [attrs.asdict(one) for one in judged],
    }


def _rate(hits: int, of: int) -> str:
    low, high = wilson(hits, of)
    return f"{hits / of:.1%} ({low:.0%} to {high:.0%})" if of else "-"
