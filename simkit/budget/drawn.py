"""The read and the write cycle of a card as a drawing to scale: PHI2, and each sum of the budget below it.

A sum is a bar that begins with an edge of PHI2, one piece a term; what is left of the time is an open frame behind it,
what is missing is hatched. Its terms stand below it in their order, so that no piece is too narrow for its label.
Readable in print and in grey; every text is 6 pt high at least, at 96 dots an inch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import attrs

from simkit.budget.whole import Budget, CardBudget, Row
from simkit.budget.words import COLUMN_WORDS, MARK, mhz, ns, wrapped
from simkit.contract.errors import SimkitError
from simkit.looks.colours import INK, MUTED, PAPER, WHITE
from simkit.looks.drawing import LETTER, Area, Drawing, Stroke, Words
from simkit.timing.paths import Path, Term, is_late

SMALL = 10
"""Size of letters in pixels; 8 pixels are 6 pt."""
NORMAL, LARGE = SMALL + 2, SMALL + 5
_MARGIN = 16
_SCALE = 760
"""Width in pixels of the time that is drawn."""
_LEFT = 150
_RIGHT = 130
_WIDTH = _LEFT + _SCALE + _RIGHT
_LINE = 16
_BAR = 14
_WAVE = 26
_HATCH = 5

Thing = Stroke | Area | Words


@attrs.frozen
class _Axis:
    """Where a time lies from left to right.

    Attributes:
        end: last ns that is drawn.
    """

    end: float

    def x(self, time: float) -> float:
        return _LEFT + _SCALE * time / self.end


@attrs.frozen
class _Cycle:
    """One of the two cycles.

    Attributes:
        name: of it.
        edges: of PHI2 in ns, the fall with which it begins first.
        end: of it in ns.
        period: of the clock.
        paths: its sums.
    """

    name: str
    edges: tuple[float, ...]
    end: float
    period: float
    paths: tuple[Path, ...]


def most_urgent(found: Budget) -> CardBudget | None:
    """The card with the least slack in the best of its parts; None: no card has sums."""

    def slack(card: CardBudget) -> float:
        found_slacks = [path.slack(found.period) for row in card.rows if (path := row.worst(found.period)) is not None]
        return max(found_slacks)

    cards = [card for card in found.cards if any(row.worst(found.period) for row in card.rows)]
    return min(cards, key=slack) if cards else None


def drawn(found: Budget, card: CardBudget) -> Drawing:
    """The drawing of a card: with the part that is named, or the best of those known.

    Raises:
        SimkitError: it has no sums of a cycle.
    """
    row = _row(found, card)
    cycles = _cycles(found, card, row)
    if not cycles:
        remedy = "Name its part, or in [card.timing] what lies on the way to it."
        raise SimkitError(f"{card.title} has no sums of a bus cycle that could be drawn.", remedy=remedy)
    longest = max([one.end for one in cycles] + [_end(path, one) for one in cycles for path in one.paths])
    axis = _Axis(longest * 1.02)
    title = f"{found.machine}, {card.title}: read and write cycle at {mhz(1000 / found.period)}"
    part = row.part.text or "no part"
    said = part if card.is_named or not row.part else f"{part} (not named: the one of those known that leaves most)"
    cpu = found.taken.text or f"CPU {found.kind}"
    said_cpu = cpu if found.timing.part else f"{cpu} (not named)"
    head = f"{said}; CPU {said_cpu}; {COLUMN_WORDS[found.conditions.column]}. Times in ns."
    things: list[Thing] = [Words((_MARGIN, 26), _cut(title, LARGE), LARGE, bold=True)]
    y = 46.0
    for line in _wrapped(head.split(), SMALL, _WIDTH - 2 * _MARGIN):
        things.append(Words((_MARGIN, y), line, SMALL))
        y += _LINE
    for one in cycles:
        y = _draw_cycle(things, axis, one, y + 14)
    y = _foot(things, found, card, row, y + 10)
    return Drawing(_WIDTH, round(y + _MARGIN), title, things, ground=WHITE)


def _row(found: Budget, card: CardBudget) -> Row:
    """The row that is drawn: the one that leaves most."""

    def slack(row: Row) -> float:
        worst = row.worst(found.period)
        return worst.slack(found.period) if worst is not None else float("-inf")

    return max(card.rows, key=slack)


def _cycles(found: Budget, card: CardBudget, row: Row) -> list[_Cycle]:
    """The read cycle and the write cycle with their sums; a card that nobody writes has no second."""
    period, high = found.period, found.conditions.high
    behind = [path for path in card.behind if path.periods <= 1]  # strobes; clocks of several cycles are no part of one
    paths = [path for path in (*row.paths, *behind) if path.periods > 0 and not path.on_paper]
    of_writes = [path for path in paths if _is_of_writes(path)]
    cycles = []
    for name, waits, chosen in (
        ("Read", card.waits[0], [path for path in paths if not _is_of_writes(path)]),
        ("Write", card.waits[1], of_writes),
    ):
        if not chosen:
            continue
        end = (1 + waits) * period
        if found.conditions.stretched:
            edges: tuple[float, ...] = (0.0, (1 - high) * period)
        else:
            edges = tuple(at for n in range(1 + waits) for at in (n * period, (n + 1 - high) * period))
        cycles.append(_Cycle(name, edges, end, period, tuple(chosen)))
    return cycles


def _is_of_writes(path: Path) -> bool:
    return "write" in path.key or path.key == "address-setup"


def _begin(path: Path, cycle: _Cycle) -> float:
    """When a sum begins, in ns: with the last rise of PHI2, or with the fall that begins the cycle."""
    return cycle.edges[-1] if path.from_rise else 0.0


def _end(path: Path, cycle: _Cycle) -> float:
    return _begin(path, cycle) + path.takes


def _draw_cycle(things: list[Thing], axis: _Axis, cycle: _Cycle, top: float) -> float:
    """One cycle from `top` on; gives where it ends."""
    y = top + _LINE
    things.append(Words((_MARGIN, y), f"{cycle.name} cycle", NORMAL, bold=True))
    y += 14
    things.append(Words((_MARGIN, y + _WAVE - 4), "PHI2", SMALL, bold=True))
    things.append(Stroke(list(_wave(axis, cycle, y)), width=1.5))
    first = y + _WAVE
    labels = first + _LINE - 3
    last_label = -1e9
    for at in (*cycle.edges, cycle.end):
        label = Words((axis.x(at), labels), ns(at), SMALL, MUTED, anchor="middle")
        if label.left > last_label + LETTER * SMALL:
            things.append(label)
            last_label = label.left + label.width
    y = labels + 8
    for path in cycle.paths:
        y = _draw_path(things, axis, cycle, path, y)
    return y


def _wave(axis: _Axis, cycle: _Cycle, top: float) -> Iterator[tuple[float, float]]:
    """Corners of PHI2: low from each fall, high from each rise."""
    low, high = top + _WAVE - 2, top + 2
    for number, at in enumerate(cycle.edges):
        falls = number % 2 == 0
        if number or not falls:
            yield axis.x(at), high if falls else low
        yield axis.x(at), low if falls else high
    yield axis.x(cycle.end), high
    yield axis.x(cycle.end), low


def _draw_path(things: list[Thing], axis: _Axis, cycle: _Cycle, path: Path, top: float) -> float:
    """One sum: its name, its bar, its terms; gives where it ends."""
    begin = _begin(path, cycle)
    there = begin + path.periods * cycle.period
    y = top + _LINE
    things.append(Words((_MARGIN, y), _cut(path.what, SMALL, _WIDTH - 2 * _MARGIN), SMALL, bold=True))
    bar = y + 5
    edges = map(axis.x, (*cycle.edges, cycle.end))
    things += [Stroke([(x, bar - 1), (x, bar + _BAR + 3)], MUTED, width=1.0) for x in edges]
    at = begin
    for number, term in enumerate(path.terms):
        if term.most > 0:
            things.append(_box(axis, at, at + term.most, bar, PAPER if number % 2 else WHITE))
            things.append(_frame(axis, at, at + term.most, bar))
            at += term.most
        else:
            there -= term.most
    slack = there - at
    if slack > 0:
        things.append(_frame(axis, at, there, bar, dashed=True))
    else:
        things += _hatched(axis, there, at, bar)
    word = f"{ns(-slack)} too late" if is_late(slack) else f"{ns(slack)} left"
    right = axis.x(max(at, there)) + 6
    things.append(
        Words((min(right, _WIDTH - _MARGIN - LETTER * SMALL * len(word)), bar + _BAR - 3), word, SMALL, bold=True)
    )
    y = bar + _BAR + 1
    for line in _wrapped(
        [_term(number, term) for number, term in enumerate(path.terms)], SMALL, _WIDTH - _LEFT - _MARGIN
    ):
        y += _LINE - 3
        things.append(Words((_LEFT, y), line, SMALL))
    return y + 6


def _box(axis: _Axis, start: float, end: float, top: float, colour: tuple[int, int, int]) -> Area:
    left, right = axis.x(start), axis.x(end)
    return Area([(left, top), (right, top), (right, top + _BAR), (left, top + _BAR)], colour)


def _frame(axis: _Axis, start: float, end: float, top: float, *, dashed: bool = False) -> Stroke:
    left, right = axis.x(start), axis.x(end)
    corners = [(left, top), (right, top), (right, top + _BAR), (left, top + _BAR), (left, top)]
    return Stroke(corners, MUTED if dashed else INK, width=1.0, dashed=dashed)


def _hatched(axis: _Axis, start: float, end: float, top: float) -> Iterator[Thing]:
    """What is missing, over the end of the bar."""
    left, right = axis.x(start), axis.x(end)
    x = left
    while x < right:
        to = min(x + _BAR, right)
        yield Stroke([(x, top + _BAR), (to, top + _BAR - (to - x))], INK, width=1.0)
        x += _HATCH
    yield Stroke([(left, top - 2), (left, top + _BAR + 2)], INK, width=2.0)


def _term(number: int, term: Term) -> str:
    sign = "less " if term.most < 0 else "+ " if number else ""
    return f"{sign}{term.name} {ns(abs(term.most))}{MARK if term.from_memory else ''}"


def _foot(things: list[Thing], found: Budget, card: CardBudget, row: Row, y: float) -> float:
    """What is to be said below."""
    lines = []
    highest = row.highest_mhz
    if highest is not None:
        lines.append(f"With these parts the card follows {mhz(highest)}.")
    for path in row.paths:
        if path.on_paper:
            slack = path.slack(found.period)
            lines.append(f"On paper, no least delays being known: {path.what} {ns(slack)}.")
    if card.open:
        lines.append(f"Not named, and counted as nothing: {', '.join(card.open)}.")
    if any(term.from_memory for path in (*row.paths, *card.behind) for term in path.terms):
        lines.append(f"{MARK} from memory, which nobody has looked up.")
    for text in lines:
        for line in _wrapped(text.split(), SMALL, _WIDTH - 2 * _MARGIN):
            y += _LINE - 1
            things.append(Words((_MARGIN, y), line, SMALL))
    return y


def _wrapped(words: Sequence[str], size: int, width: float) -> list[str]:
    """Words in lines of a width in pixels; one that is longer is cut."""
    most = int(width / (LETTER * size))
    return [_cut(line, size, width) for line in wrapped(words, most)]


def _cut(text: str, size: int, width: float = _WIDTH - 2 * _MARGIN) -> str:
    most = int(width / (LETTER * size))
    return text if len(text) <= most else f"{text[: most - 1]}…"
