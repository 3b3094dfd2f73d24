"""What was measured of the search, in tables and for programs; and its file, with which the work goes on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.formats import json_format
from simkit.files.whole import write_whole
from simkit.measure.outside import KINDS as OUTSIDE_KINDS
from simkit.measure.rates import percentile, wilson
from simkit.measure.suspects import SINGLE, Judged, Tried
from simkit.measure.symptoms import KINDS

FORMAT, VERSION = "simkit-measured-search", 1
MAX_BYTES = 100_000_000
STATE = json_format("a measurement of simkit bench --suspect", FORMAT)
WANTED = {"capture": 0.95, "eight": 0.85, "picture": 0.60, "text": 0.60}
"""How often the true fault should be in the first group."""
MISSES_SHOWN = 5
_TYPES: dict[str, tuple[type, ...]] = dict.fromkeys(("none", "found", "left"), (bool,))
_TYPES |= {"classes": (int,), "asked": (int, type(None)), "seconds": (int, float)}


@attrs.frozen(kw_only=True)
class Row:
    """Single faults by one kind of symptom.

    Attributes:
        kind: of the symptom.
        pairs: that were judged.
        found: of them in whose first group the true fault is.
        none: of them for which no single fault was said to be the cause.
        middle, most: classes in the first group where the true fault is in it: median and 90th percentile.
        asked: of those the ones where measurements left the true class alone.
        few: of those the ones that took at most log2(group) + 2 measurements.
        most_asked: measurements, the most.
        seconds: for a symptom, the mean.
    """

    kind: str
    pairs: int
    found: int
    none: int
    middle: int
    most: int
    asked: int
    few: int
    most_asked: int
    seconds: float


def row_of(kind: str, judged: Sequence[Judged]) -> Row:
    """Row of single faults."""
    own = [one for one in judged if one.kind == kind and one.source == SINGLE]
    found = [one for one in own if one.found]
    asked = [one for one in found if one.left and one.asked is not None]
    return Row(
        kind=kind,
        pairs=len(own),
        found=len(found),
        none=sum(one.none for one in own),
        middle=percentile([one.classes for one in found], 0.5),
        most=percentile([one.classes for one in found], 0.9),
        asked=len(asked),
        few=sum(one.asked is not None and _is_few(one.asked, one.classes) for one in asked),
        most_asked=max((one.asked or 0 for one in asked), default=0),
        seconds=sum(one.seconds for one in own) / len(own) if own else 0.0,
    )


def _is_few(asked: int, classes: int) -> bool:
    """At most log2(classes) + 2, in whole numbers."""
    return 1 << max(0, asked - 2) <= classes


def table(tried: Sequence[Tried], kinds: Sequence[str]) -> list[str]:
    """Lines for people."""
    judged = [one for each in tried for one in each.judged]
    rows = [row_of(kind, judged) for kind in kinds]
    lines = [
        "Single faults: how often the true one is in the first group, and in brackets between which rates, 95 % sure.",
        f"{'symptom':30}{'pairs':>6}  {'in the first group':21}{'wanted':>7}{'group: half, 9 in 10':>22}"
        f"{'measured to one':>17}{'within limit':>14}{'most':>6}  {'said none':20}{'s each':>7}",
    ]
    lines += [_line(row) for row in rows]
    lines += ["", "Faults from outside the catalogue: how often no single fault was said to be the cause; wanted: 95%."]
    lines.append(f"{'symptom':30}" + "".join(f"{kind:>28}" for kind in OUTSIDE_KINDS))
    for kind in kinds:
        cells = [[one for one in judged if (one.kind, one.source) == (kind, source)] for source in OUTSIDE_KINDS]
        lines.append(
            f"{KINDS[kind]:30}" + "".join(f"{_of(sum(o.none for o in cell), len(cell)):>28}" for cell in cells)
        )
    return lines + misses(judged, kinds)


def _line(row: Row) -> str:
    return (
        f"{KINDS[row.kind]:30}{row.pairs:>6}  {_rate(row.found, row.pairs):21}{WANTED[row.kind]:>7.0%}"
        f"{f'{row.middle}, {row.most}':>22}{f'{row.asked} of {row.found}':>17}{f'{row.few} of {row.asked}':>14}"
        f"{row.most_asked:>6}  {_rate(row.none, row.pairs):20}{row.seconds:>7.2f}"
    )


def misses(judged: Sequence[Judged], kinds: Sequence[str]) -> list[str]:
    """Some of those that went wrong, by kind."""
    lines: list[str] = []
    for kind in kinds:
        wrong = [one for one in judged if one.kind == kind and one.source == SINGLE and not one.found]
        if wrong:
            lines += ["", f"Not found by {KINDS[kind]}, {len(wrong)}, among them:"]
            lines += [
                f"  {one.program}: {one.fault}: {'none' if one.none else one.best or 'nothing is wrong'}"
                for one in wrong[:MISSES_SHOWN]
            ]
    return lines


def as_dict(tried: Sequence[Tried], kinds: Sequence[str], seed: int) -> dict[str, Any]:
    """The same for programs, with every judgement."""
    judged = [one for each in tried for one in each.judged]
    rows = [row_of(kind, judged) for kind in kinds]
    return {
        "seed": seed,
        "single": [attrs.asdict(row) | {"rate": list(wilson(row.found, row.pairs))} for row in rows],
        "outside": [
            {"kind": kind, "source": source, "none": sum(one.none for one in own), "of": len(own)}
            for kind in kinds
            for source in OUTSIDE_KINDS
            for own in [[one for one in judged if (one.kind, one.source) == (kind, source)]]
        ],
        "judged": [attrs.asdict(one) for one in judged],
    }


def _rate(hits: int, of: int) -> str:
    low, high = wilson(hits, of)
    return f"{hits / of:.1%} ({low:.0%} to {high:.0%})" if of else "-"


def _of(hits: int, of: int) -> str:
    return f"{hits} of {of}, {_rate(hits, of)}" if of else "-"


# the file of a measurement ------------------------------------------------------------------------------------------


def keep(path: Path, said: dict[str, Any], tried: Sequence[Tried]) -> None:
    """Write what was tried up to now, with what it was tried for."""
    data = {"format": FORMAT, "version": VERSION, "said": said, "tried": [attrs.asdict(one) for one in tried]}
    write_whole(path, json.dumps(data), what="measurement", known=STATE)


def kept(path: Path, said: dict[str, Any]) -> list[Tried]:
    """What was tried before; nothing where there is no file.

    Raises:
        SimkitError: it is damaged, or was measured with other seeds, pairs, kinds or programs.
    """
    if not path.exists():
        return []
    try:
        data = json.loads(read_bounded(path, MAX_BYTES, "measurement"))
        if data["format"] != FORMAT or data["version"] != VERSION:
            raise ValueError("another version")
        before = data["said"]
        found = [
            Tried(
                str(one["program"]),
                str(one["source"]),
                int(one["number"]),
                tuple(_judged(each) for each in one["judged"]),
            )
            for one in data["tried"]
        ]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise SimkitError(
            f"{path} is no measurement that can be read.", remedy="Name another folder with --session."
        ) from error
    if before != said:
        raise SimkitError(f"{path} was measured with other options.", remedy=f"They were {before}.")
    return found


def _judged(data: dict[str, Any]) -> Judged:
    words = {field.name: data[field.name] for field in attrs.fields(Judged)}
    for name, value in words.items():
        if not isinstance(value, _TYPES.get(name, (str,))):
            raise ValueError(name)
    return Judged(**words)
