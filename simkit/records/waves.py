"""Waves of bus cycles as a drawing: a row a line or bus, a column a cycle, values written in the waves.

drawing = waves([View("Marlpit", names, levels, known)], rows_of(names))

Several views stand one above the other in the same columns, as a capture and a run do that are compared; a mark goes
through all of them where they part, and what differs there has a frame. As in a value change dump (`vcd.py`) address
and control lines change as a cycle begins and data in its middle, when PHI2 rises: what counts is what stands as PHI2
falls. A level that is not known is hatched.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError
from simkit.looks.colours import INK, MUTED, PAPER
from simkit.looks.drawing import LETTER, Area, Drawing, Point, Stroke, Words

MOST_COLUMNS = 256
CLOCK = "PHI2"
"""Drawn without being among the lines: a column is one period of it."""

_COLUMN = 48
_ROW = 28
_HIGH = 16
_SIZE = 13
_SMALL = 11
_EDGE = 12
_SLANT = 4.0
_LATER = 4.0
"""Pixels after PHI2's edge at which lines change."""
_CONTROL = ("RW", "SYNC", "RDY", "IRQ", "NMI", "RESET", "SO", "VPB", "MLB")

Bits = NDArray[np.uint64]


@attrs.frozen
class WaveRow:
    """A row of the picture.

    Attributes:
        name: stands before it.
        lines: one line: a wave; several: a bus, the lowest bit first, its value in hexadecimal digits.
        late: changes as PHI2 rises.
    """

    name: str
    lines: tuple[str, ...]
    late: bool = False


@attrs.frozen
class Span:
    """Words over some columns, from the first up to the one before `end`."""

    begin: int
    end: int
    text: str


@attrs.frozen(eq=False)
class View:
    """One thing that is shown: a run, or a capture.

    Attributes:
        title: stands above it.
        names: lines; bit i of a word belongs to names[i].
        levels: uint64, a word a column.
        known: uint64: lines of which the level is known; None: all.
        labels: what stands above a column, "" for nothing; as many as columns, or none.
        spans: what the program does there.
    """

    title: str
    names: Sequence[str]
    levels: Bits
    known: Bits | None = None
    labels: Sequence[str] = ()
    spans: Sequence[Span] = ()

    def values(self, row: WaveRow) -> list[int | None]:
        """Value of a row in each column; None where it is not known."""
        found = [0] * len(self.levels)
        sure = [True] * len(self.levels)
        for bit, line in enumerate(row.lines):
            if line not in self.names:
                return [None] * len(self.levels)
            place = np.uint64(self.names.index(line))
            one = np.uint64(1)
            for at, level in enumerate((self.levels >> place & one).tolist()):
                found[at] |= level << bit
            if self.known is not None:
                for at, known in enumerate((self.known >> place & one).tolist()):
                    sure[at] = sure[at] and bool(known)
        return [value if known else None for value, known in zip(found, sure, strict=True)]


def rows_of(names: Sequence[str]) -> list[WaveRow]:
    """Rows for lines: address and data as buses where all their lines are there, the CPU's lines, selects, the rest."""
    rows, left = [], list(names)
    for name, lines, late in (("address", ADDRESS_LINES, False), ("data", DATA_LINES, True)):
        if set(lines) <= set(names):
            rows.append(WaveRow(name, tuple(lines), late))
            left = [line for line in left if line not in lines]
    order = {line: number for number, line in enumerate(_CONTROL)}
    left.sort(key=lambda line: order.get(line, len(order)))  # others stay as they are
    rows += [WaveRow(_shown(line), (line,), line in DATA_LINES) for line in left]
    control = [row for row in rows if row.lines[0] in ("RW", "SYNC")]
    return control + [row for row in rows if row not in control]


def waves(
    views: Sequence[View],
    rows: Sequence[WaveRow],
    *,
    title: str = "",
    parted: int | None = None,
    words: str = "",
) -> Drawing:
    """Draw views one above the other.

    Args:
        views: at least one; all of as many columns.
        rows: of each view.
        title: stands above all, and is read to who cannot see the picture.
        parted: column in which they part: a broken line goes through all views as it begins.
        words: what stands at that line.

    Raises:
        SimkitError: no columns, too many, or views of different lengths.
    """
    columns = len(views[0].levels)
    if not 0 < columns <= MOST_COLUMNS:
        raise SimkitError(
            f"{columns} bus cycles are to be drawn; a picture has 1 to {MOST_COLUMNS}.",
            remedy="Show a shorter part of the run.",
        )
    if any(len(view.levels) != columns for view in views):
        raise SimkitError("Views of different lengths do not stand one above the other.", remedy="Cut them to one.")
    names = [CLOCK, *(row.name for row in rows)]
    left = _EDGE + max(len(name) for name in names) * LETTER * _SIZE + 14
    width = int(left + (columns + 0.5) * _COLUMN + _EDGE)
    things: list[Stroke | Area | Words] = []
    y = float(_EDGE)
    if title:
        things.append(Words((_EDGE, y + 16), _cut(title, width - 2 * _EDGE, 16), 16, bold=True))
        y += 30
    if words:
        y += 18
    top = y
    tables = [[view.values(row) for row in rows] for view in views]
    for number, view in enumerate(views):
        others = [table for place, table in enumerate(tables) if place != number]
        y = _view(things, view, rows, tables[number], others, left, y, columns)
        y += 10
    if parted is not None:
        x = left + parted * _COLUMN
        things.append(Stroke(((x, top - 2), (x, y - 8)), INK, 2, dashed=True))
        if words:
            shown = _cut(words, width - 2 * _EDGE, _SIZE)
            wide = len(shown) * LETTER * _SIZE
            at = min(max(x - wide / 2, _EDGE), width - _EDGE - wide)
            things.append(Words((at, top - 7), shown, _SIZE, bold=True))
    return Drawing(width, int(y) + 2, title or views[0].title, things)


def _view(
    things: list[Stroke | Area | Words],
    view: View,
    rows: Sequence[WaveRow],
    table: Sequence[Sequence[int | None]],
    others: Sequence[Sequence[Sequence[int | None]]],
    left: float,
    y: float,
    columns: int,
) -> float:
    """Draw a view from y down; gives where it ends."""
    if view.title:
        things.append(Words((_EDGE, y + 14), view.title, _SIZE, bold=True))
        y += 22
    right = left + (columns + 0.5) * _COLUMN  # the last byte is seen whole
    if view.labels:
        for at, label in enumerate(view.labels):
            if label:
                things.append(Words((left + at * _COLUMN + 2, y + 11), label, _SMALL, MUTED))
        y += 18
    if view.spans:
        for span in view.spans:
            _span(things, span, left, y, columns)
        y += 22
    bottom = y + _ROW * (len(rows) + 1)
    for at in range(columns + 1):
        x = left + at * _COLUMN
        things.append(Stroke(((x, y), (x, bottom - 6)), MUTED, 0.5))
    _name(things, CLOCK, left, y)
    _clock(things, left, y, columns)
    y += _ROW
    for number, (row, values) in enumerate(zip(rows, table, strict=True)):
        _name(things, row.name, left, y)
        if len(row.lines) == 1:
            _wave(things, values, left, y, right, late=row.late)
        else:
            _bus(things, values, -(-len(row.lines) // 4), left, y, right, late=row.late)
        first = left + (_COLUMN / 2 if row.late else 0)
        for begin, end in _differing(values, [other[number] for other in others]):
            _frame(things, first + begin * _COLUMN, first + end * _COLUMN, y)
        y += _ROW
    return y


def _name(things: list[Stroke | Area | Words], name: str, left: float, y: float) -> None:
    things.append(Words((left - 8, y + _HIGH - 1), name, _SIZE, anchor="end"))


def _clock(things: list[Stroke | Area | Words], left: float, y: float, columns: int) -> None:
    points: list[Point] = []
    for at in range(columns):
        x = left + at * _COLUMN
        points += [(x, y + _HIGH), (x + _COLUMN / 2, y + _HIGH), (x + _COLUMN / 2, y), (x + _COLUMN, y)]
    x = left + columns * _COLUMN
    things.append(Stroke([*points, (x, y + _HIGH), (x + _COLUMN / 2, y + _HIGH)]))


def _differing(values: Sequence[int | None], others: Sequence[Sequence[int | None]]) -> list[tuple[int, int]]:
    """Columns in which another view has another value, both being known: from, and up to, where they go on."""
    differs = [
        value is not None and any(other[at] not in (None, value) for other in others) for at, value in enumerate(values)
    ]
    edges = [at for at in range(len(values) + 1) if (at < len(values) and differs[at]) != (at > 0 and differs[at - 1])]
    return list(zip(edges[::2], edges[1::2], strict=True))


def _pieces(
    values: Sequence[int | None], left: float, right: float, *, late: bool
) -> list[tuple[float, float, int | None]]:
    """Runs of equal values: from where to where, and which."""
    shift = _LATER + (_COLUMN / 2 if late else 0)
    found: list[tuple[float, float, int | None]] = []
    begin = 0
    for at in range(1, len(values) + 1):
        if at == len(values) or values[at] != values[begin]:
            first = left + begin * _COLUMN + shift if begin or late else left
            last = right if at == len(values) else left + at * _COLUMN + shift
            found.append((first, last, values[begin]))
            begin = at
    if late and found:  # what was there before is not shown
        found.insert(0, (left, found[0][0], None))
    return found


def _wave(
    things: list[Stroke | Area | Words],
    values: Sequence[int | None],
    left: float,
    y: float,
    right: float,
    *,
    late: bool,
) -> None:
    points: list[Point] = []
    for first, last, value in _pieces(values, left, right, late=late):
        if value is None:
            if points:
                things.append(Stroke(points))
            points = []
            _hatch(things, first, last, y)
            continue
        level = y if value else y + _HIGH
        points += [(first, level), (last, level)]
    if points:
        things.append(Stroke(points))


def _bus(
    things: list[Stroke | Area | Words],
    values: Sequence[int | None],
    digits: int,
    left: float,
    y: float,
    right: float,
    *,
    late: bool,
) -> None:
    middle = y + _HIGH / 2
    for first, last, value in _pieces(values, left, right, late=late):
        if value is None:
            _hatch(things, first, last, y)
            continue
        begins, ends = first > left, last < right
        upper: list[Point] = [(first, middle if begins else y)]
        lower: list[Point] = [(first, middle if begins else y + _HIGH)]
        inner = min(_SLANT, (last - first) / 2)
        upper += [(first + inner, y), (last - inner if ends else last, y)]
        lower += [(first + inner, y + _HIGH), (last - inner if ends else last, y + _HIGH)]
        if ends:
            upper.append((last, middle))
            lower.append((last, middle))
        things += [Stroke(upper), Stroke(lower)]
        text = f"{value:0{digits}X}"
        if len(text) * LETTER * _SMALL <= last - first - 2:
            things.append(Words(((first + last) / 2, y + _HIGH - 4), text, _SMALL, anchor="middle"))


def _hatch(things: list[Stroke | Area | Words], first: float, last: float, y: float) -> None:
    """A level that nobody knows."""
    things.append(Stroke(((first, y), (last, y)), MUTED, 1))
    things.append(Stroke(((first, y + _HIGH), (last, y + _HIGH)), MUTED, 1))
    x = first
    while x < last:
        reach = min(last - x, _HIGH / 2)
        things.append(Stroke(((x, y + _HIGH), (x + reach, y + _HIGH - 2 * reach)), MUTED, 1))
        x += 8


def _frame(things: list[Stroke | Area | Words], x: float, right: float, y: float) -> None:
    """Round what is not as in the other view."""
    top, bottom = y - 4, y + _HIGH + 4
    x, right = x + 1, right + _LATER
    things.append(Stroke(((x, top), (right, top), (right, bottom), (x, bottom), (x, top)), INK, 2.5))


def _span(things: list[Stroke | Area | Words], span: Span, left: float, y: float, columns: int) -> None:
    first, last = left + span.begin * _COLUMN, left + min(span.end, columns) * _COLUMN
    things.append(Area(((first + 1, y), (last - 1, y), (last - 1, y + 17), (first + 1, y + 17)), INK))
    text = _cut(span.text, last - first - 8, _SMALL)
    things.append(Words((first + 4, y + 12), text, _SMALL, PAPER))


def _cut(text: str, width: float, size: int) -> str:
    """The text, or as much of its beginning as has room."""
    room = max(0, int(width / (LETTER * size)))
    return text if len(text) <= room else text[: max(0, room - 1)] + ("…" if room else "")


def _shown(line: str) -> str:
    slot, dot, pin = line.partition(".")
    if line == "RW":
        return "R/W"
    return f"slot {slot} {pin}" if dot and slot.isdecimal() else line
