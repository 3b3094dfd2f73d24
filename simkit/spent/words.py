"""Where the time went, as tables for people and as data for programs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import fill
from typing import Any

import attrs

from simkit.contract.plain import plain
from simkit.rom.places import Place
from simkit.spent.figures import Handler, Latency, Lengths, Line, Routine
from simkit.spent.result import Spent

WIDTH = 100
MOST_ROWS = 20
"""Routines, and lines of the source, in tables for people."""
BY_HANDLERS = (
    "It is handlers that serve the frames: to know whether the main program keeps up, name a label of it with "
    "--each-frame."
)
_NAME = 32
"""Letters of a name in a table."""


def spent_text(spent: Spent) -> str:
    """Everything, the largest first."""
    parts = [_whole(spent), _routines(spent), _handlers(spent.handlers), _latency(spent), _frames(spent), _lines(spent)]
    if spent.remarks:
        parts.append([plain(remark) for remark in spent.remarks])
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def number(value: int | None) -> str:
    """A number as people read it; "-" for none."""
    return "-" if value is None else f"{value:,}".replace(",", " ")


def percent(part: int, whole: int) -> str:
    """A share."""
    return f"{100 * part / whole if whole else 0:.1f} %"


def _whole(spent: Spent) -> list[str]:
    seconds = spent.cycles / spent.clock_hz
    called = spent.tree[0].cycles - spent.own
    handled = sum(one.cycles for one in spent.handlers)
    rows = [
        ("main program itself", spent.own),
        ("routines it calls", called),
        ("handlers, with what they call", handled),
    ]
    table = [[name, number(cycles), percent(cycles, spent.cycles)] for name, cycles in rows]
    return [
        f"Where the time went: {number(spent.cycles)} cycles, {seconds:.3g} s of machine time.",
        *_table([], table),
    ]


def _routines(spent: Spent) -> list[str]:
    if not spent.routines:
        return ["No routine was called."]
    shown = spent.routines[:MOST_ROWS]
    rows = [
        [
            _cut(one.name),
            number(one.calls),
            number(one.own),
            percent(one.own, spent.cycles),
            number(one.cycles),
            *_three(one.lengths),
            number(one.longest),
        ]
        for one in shown
    ]
    head = ["routine", "calls", "own", "share", "with calls", "least", "median", "worst", "with handlers"]
    return [
        "Routines, cycles; least, median and worst of a call with all that it calls, longest with handlers between:",
        *_table(head, rows),
        *_more(len(spent.routines), "routines"),
    ]


def _handlers(handlers: Sequence[Handler]) -> list[str]:
    rows = [
        [
            one.cause,
            _cut(one.name),
            number(one.runs),
            number(one.cycles),
            f"{100 * one.share:.1f} %",
            *_three(one.lengths),
        ]
        for one in handlers
    ]
    head = ["cause", "handler", "runs", "cycles", "share", "least", "median", "worst"]
    return ["Handlers, cycles from the interrupt sequence to the end of RTI:", *_table(head, rows)] if rows else []


def _latency(spent: Spent) -> list[str]:
    lines = []
    for name, latency in spent.latency.items():
        if latency.longest is not None:
            longest = latency.longest
            where = "an interrupt sequence" if longest.place is None else longest.place.words()
            least, median, worst = _three(latency.lengths)
            lines += [
                f"{name} low to the first fetch of its handler: least {least}, median {median}, worst {worst} cycles "
                f"({number(latency.lengths.number)} requests).",
                _wrapped(
                    f"The worst: low in cycle {number(longest.cycle)} at {plain(where)}. What kept it: "
                    f"{plain(longest.kept)}."
                ),
            ]
        more = [
            (latency.again, "handlers began while the line had stayed low since an earlier one"),
            (latency.let_go, "requests went away before a handler began"),
            (latency.merged, "edges came while the one before still waited"),
        ]
        lines += [f"    {name}: {number(count)} {what}." for count, what in more if count]
    return lines


def _frames(spent: Spent) -> list[str]:
    return [
        f"Frames of the screen of slot {one.slot}: {number(one.ended)} ended, "
        + (f"{number(one.missed)} missed." if one.followed else "the program does not follow them.")
        + ("" if one.by_main or not one.followed else f"\n{_wrapped(BY_HANDLERS)}")
        for one in spent.frames
        if one.ended
    ]


def _lines(spent: Spent) -> list[str]:
    rows = [
        [number(one.cycles), percent(one.cycles, spent.cycles), number(one.runs), _place(one.place)]
        for one in spent.lines[:MOST_ROWS]
    ]
    lined = any(one.place.file is not None for one in spent.lines)
    head = ["cycles", "share", "instructions" if lined else "runs", ""]
    what = "Lines of the source" if lined else "Instructions"
    table = _table(head, rows, words=(3,))
    return [f"{what}:", *table, *_more(len(spent.lines), "lines" if lined else "instructions")] if rows else []


def _place(place: Place) -> str:
    source = f"  {place.source}" if place.source else ""
    where = place.source_line or f"${place.address:04X}{f' ({place.name})' if place.name else ''}"
    return plain(f"{where}{source}")[:100]


def _wrapped(text: str) -> str:
    return fill(text, WIDTH, initial_indent="    ", subsequent_indent="    ", break_long_words=False)


def _three(lengths: Lengths) -> list[str]:
    return [number(lengths.least), number(lengths.median), number(lengths.worst)]


def _cut(name: str) -> str:
    name = plain(name)
    return name if len(name) <= _NAME else name[: _NAME - 1] + "…"


def _more(count: int, what: str) -> list[str]:
    return [f"  and {number(count - MOST_ROWS)} {what} more, which --json lists"] if count > MOST_ROWS else []


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], words: Iterable[int] = (0,)) -> list[str]:
    """Columns of numbers to the right, of words to the left."""
    every = [list(head), *map(list, rows)] if head else [list(row) for row in rows]
    widths = [max(len(row[column]) for row in every) for column in range(len(every[0]))]
    left = {*words, *(column for column, name in enumerate(head) if name in ("handler", "cause"))}
    return [
        "  "
        + "  ".join(
            cell.ljust(width) if column in left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in every
    ]


# data -----------------------------------------------------------------------------------------------------------------


def spent_data(spent: Spent) -> dict[str, Any]:
    """For --json: everything but the tree."""
    return {
        "cycles": spent.cycles,
        "clock_hz": spent.clock_hz,
        "main": spent.own,
        "sequences": spent.sequences,
        "routines": [_routine_data(one) for one in spent.routines],
        "handlers": [_handler_data(one) for one in spent.handlers],
        "latency": {name: _latency_data(one) for name, one in spent.latency.items()},
        "frames": [attrs.asdict(one) for one in spent.frames],
        "lines": [_line_data(one) for one in spent.lines],
        "remarks": list(spent.remarks),
    }


def _place_data(place: Place) -> dict[str, Any]:
    return {"address": place.address, "label": place.name, "file": place.file, "line": place.line}


def _lengths_data(lengths: Lengths) -> dict[str, Any]:
    return {"least": lengths.least, "median": lengths.median, "worst": lengths.worst}


def _routine_data(one: Routine) -> dict[str, Any]:
    lengths = {**_lengths_data(one.lengths), "returned": one.lengths.number, "longest": one.longest}
    return {**_place_data(one.place), "calls": one.calls, "own": one.own, "cycles": one.cycles, **lengths}


def _handler_data(one: Handler) -> dict[str, Any]:
    named = {"cause": one.cause, **_place_data(one.place), "runs": one.runs, "cycles": one.cycles, "share": one.share}
    return {**named, **_lengths_data(one.lengths), "returned": one.lengths.number}


def _latency_data(one: Latency) -> dict[str, Any]:
    longest = one.longest
    told = None
    if longest is not None:
        place = None if longest.place is None else _place_data(longest.place)
        told = {"cycle": longest.cycle, "cycles": longest.cycles, "place": place, "kept": longest.kept}
    counted = {"requests": one.lengths.number, "again": one.again, "let_go": one.let_go, "merged": one.merged}
    return {**_lengths_data(one.lengths), **counted, "longest": told}


def _line_data(one: Line) -> dict[str, Any]:
    return {**_place_data(one.place), "runs": one.runs, "cycles": one.cycles}
