"""A timing budget in words, and as data for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from simkit.budget.whole import Budget, CardBudget, Row
from simkit.machinefile.figures import COLUMNS, FROM_MEMORY, ROOM, TYPICAL
from simkit.machinefile.timing import CARD_TIMING
from simkit.timing.paths import Path, Term, is_late

COLUMN_WORDS = dict(zip(COLUMNS, ("typical figures", "limits at 25 C", "limits over the whole range"), strict=True))
MARK = "*"
"""Stands at what rests on figures from memory."""
_OTHER = {TYPICAL: "typ.", ROOM: "25 C"}
_WIDTH = 118


def ns(number: float) -> str:
    """A time in ns."""
    return f"{number:.1f}".removesuffix(".0")


def mhz(number: float | None) -> str:
    """A clock, or a dash where none is the highest."""
    return "any clock" if number is None else f"{number:.4g} MHz"


def budget_lines(found: Budget, slots: Sequence[int] = ()) -> list[str]:
    """The budget for people; of the slots named every sum of every part."""
    period = found.period
    high = found.conditions.high
    lines = [
        f"{found.machine}: {mhz(1000 / period)}, a period of {ns(period)} ns, PHI2 high for {ns(high * period)} of it. "
        f"Sums are of {COLUMN_WORDS[found.conditions.column]}.",
        "",
        *_cpu_lines(found),
    ]
    for card in found.cards:
        if not slots or card.slot in slots:
            lines += ["", *_card_lines(found, card, in_full=bool(slots))]
    lines += ["", *_verdict(found), *_legend(found)]
    return lines


def _cpu_lines(found: Budget) -> Iterator[str]:
    named = found.timing.part
    if not found.cpus:
        yield f"CPU {found.kind}: no part of the kind is known."
    elif named:
        yield f"CPU {found.kind}: {named.text}"
    else:
        yield f"CPU {found.kind}: neither part nor grade is named ([cpu] part, grade). Those that are known:"
    if not named or len(found.cpus) > 1:
        yield from _table(found.cpus, found.period)
    yield from (f"  {line}" for row in found.cpus if named for line in _paths(row.paths, found.period))
    for what, buffer in (("address", found.timing.address_buffer), ("data", found.timing.data_buffer)):
        if buffer:
            yield f"  on the CPU card, {what} lines through {buffer.text}"
    if found.taken and len(found.cpus) > 1:
        follows = any(not row.is_late(found.period) for row in found.cpus)
        why = "the slowest at 5 V that follows the clock" if follows else "the quickest: none follows the clock"
        yield f"  The sums of cards are with {found.taken.text}, {why}."


def _card_lines(found: Budget, card: CardBudget, *, in_full: bool) -> Iterator[str]:
    one = len(card.rows) == 1
    names = [row.part.text for row in card.rows if row.part]
    part = "" if not names else f": {names[0]}" if card.is_named and one else ""
    yield f"{card.title}{part}"
    if card.waits != (0, 0):
        held = "PHI2 is held high for them" if found.conditions.stretched else "RDY repeats the cycle"
        yield f"  delays reads by {card.waits[0]} and writes by {card.waits[1]} cycles; {held}"
    if names and not (card.is_named and one):
        yield "  the name leaves open:" if card.is_named else "  no part is named; those known that fit:"
        yield from _table(card.rows, found.period)
    elif not names and card.wired.role:
        yield "  no part is named, and none that fits is known"
    shown = [row for row in card.rows if in_full or one or not row.part]
    for row in shown:
        if row.part and not (card.is_named and one):
            yield f"  {row.part.text}:"
        paths = row.paths if in_full else _slowest_ways(row.paths, found.period)
        yield from (f"  {line}" for line in _paths(paths, found.period))
    if not any(row.paths for row in card.rows) and not card.behind:
        yield "  nothing is named, so there are no sums"
    if card.behind:
        yield "  behind the bus:"
        yield from (f"  {line}" for line in _paths(card.behind, found.period))
    unknown = dict.fromkeys(one for row in card.rows for path in row.paths for one in path.unknown)
    if unknown:
        yield f"  no figures are known, and counted as nothing: {', '.join(unknown)}"
    if card.open:
        yield f"  not named, and counted as nothing: {', '.join(_open_word(key) for key in card.open)}"


def _slowest_ways(paths: Sequence[Path], period: float) -> list[Path]:
    """Of each sum the slowest of its ways through the decoder."""
    slowest: dict[str, Path] = {}
    for path in paths:
        known = slowest.get(path.key)
        if known is None or path.slack(period) < known.slack(period):
            slowest[path.key] = path
    return list(slowest.values())


def _open_word(key: str) -> str:
    return f"timing.{key}" if key in CARD_TIMING else key


def _table(rows: Iterable[Row], period: float) -> Iterator[str]:
    """A line a part: the worst sum and the highest clock."""
    rows = [row for row in rows if row.part]
    width = max((len(row.part.text) for row in rows), default=0) + 2
    for row in rows:
        worst = row.worst(period)
        name = f"{row.part.text}{MARK if _is_marked(row) else ''}".ljust(width)
        if worst is None:
            yield f"    {name} no sums"
        else:
            slack = worst.slack(period)
            yield f"    {name} {_slack(slack)}  {worst.what}; up to {mhz(row.highest_mhz)}"


def _slack(slack: float) -> str:
    return f"{ns(slack):>8} ns{' LATE' if is_late(slack) else ''}"


def _paths(paths: Iterable[Path], period: float) -> Iterator[str]:
    """Two lines a sum: what is left, and its terms."""
    for path in paths:
        slack = path.slack(period)
        if path.on_paper:
            verdict = " short on paper" if is_late(slack) else ""
            head = f"{ns(slack):>8} ns{verdict}  {path.what}"
        else:
            head = f"{_slack(slack)}  {path.what}; up to {mhz(path.highest_mhz)}"
        yield head
        yield from (f"             {line}" for line in wrapped(_sum_words(path, period), _WIDTH - 15))


def _sum_words(path: Path, period: float) -> list[str]:
    """The terms of a sum, and the time there is."""
    gained = [term for term in path.terms if term.most < 0]
    spent = [term for term in path.terms if term.most >= 0]
    words = [f"{'+ ' if number else ''}{_term(term)}" for number, term in enumerate(spent)]
    if path.periods < 0:
        return [f"at most {_term(gained[0])}, and the period has {ns(period)}"]
    have = [*([f"{ns(path.periods * period)} of the clock"] if path.periods else []), *map(_term, gained)]
    there = f"there are {' + '.join(have)}"
    if len(words) == 1:
        return [f"{words[0]} ns,", there]
    return [*words, f"= {ns(sum(term.most for term in spent))} ns,", there]


def _term(term: Term) -> str:
    mark = MARK if term.from_memory else ""
    other = [_OTHER[column] for column in term.columns if column in _OTHER]
    column = f" ({other[0]})" if other and len(set(term.columns)) == 1 else ""
    return f"{term.name} {ns(abs(term.most))}{mark}{column}"


def wrapped(words: Sequence[str], width: int) -> list[str]:
    """Words joined to lines of a width, none of them broken unless it is longer."""
    lines: list[str] = []
    for word in words:
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _from_memory(paths: Iterable[Path]) -> bool:
    return any(term.from_memory for path in paths for term in path.terms)


def _is_marked(row: Row) -> bool:
    """Whether anything of the part itself rests on figures from memory."""
    return any(term.from_memory for path in row.paths for term in path.terms if term.part == row.part.text)


def _verdict(found: Budget) -> Iterator[str]:
    late = [card.title for card in found.cards if card.is_late(found.period)]
    late = [*(["the CPU"] if found.cpu_is_late else []), *late]
    if late:
        yield f"Too slow for the clock: {', '.join(late)}."
    if found.highest_mhz is None:
        yield "Nothing is named that a clock could be too fast for."
    else:
        yield f"Highest clock for what is named, and for what cards say of their own parts: {mhz(found.highest_mhz)}."


def _legend(found: Budget) -> Iterator[str]:
    rows = [*found.cpus, *(row for card in found.cards for row in card.rows)]
    paths = [path for row in rows for path in row.paths] + [path for card in found.cards for path in card.behind]
    if _from_memory(paths):
        yield f"{MARK} rests on figures from memory, which nobody has looked up. `simkit explain parts` says more."
    columns = {column for path in paths for term in path.terms for column in term.columns}
    if len(columns) > 1:
        yield "Figures of another column than was asked for stand where a data sheet has no other."
    if any(path.on_paper and is_late(path.slack(found.period)) for path in paths):
        yield "On paper: hold times fail against the slowest gate and no least delay; real gates are quicker."


# data -----------------------------------------------------------------------------------------------------------------


def budget_data(found: Budget, slots: Sequence[int] = ()) -> dict[str, Any]:
    """The budget for programs, of the slots named or of all: times in ns, clocks in MHz."""
    period = found.period
    return {
        "machine": found.machine,
        "clock_mhz": 1000 / period,
        "period_ns": period,
        "phi2_high_ns": found.conditions.high * period,
        "column": found.conditions.column,
        "late": found.is_late,
        "highest_mhz": found.highest_mhz,
        "cpu": {
            "kind": found.kind,
            "named": found.timing.part.text,
            "late": found.cpu_is_late,
            "sums_with": found.taken.text,
            "parts": [_row_data(row, period) for row in found.cpus],
        },
        "cards": [
            {
                "slot": card.slot,
                "kind": card.kind,
                "named": card.is_named,
                "not_named": [_open_word(key) for key in card.open],
                "waits": {"read": card.waits[0], "write": card.waits[1]},
                "late": card.is_late(period),
                "highest_mhz": card.highest_mhz,
                "parts": [_row_data(row, period) for row in card.rows],
                "behind": [_path_data(path, period) for path in card.behind],
            }
            for card in found.cards
            if not slots or card.slot in slots
        ],
    }


def _row_data(row: Row, period: float) -> dict[str, Any]:
    return {
        "part": row.part.text,
        "late": row.is_late(period),
        "highest_mhz": row.highest_mhz,
        "sums": [_path_data(path, period) for path in row.paths],
    }


def _path_data(path: Path, period: float) -> dict[str, Any]:
    return {
        "key": path.key,
        "what": path.what,
        "from": "rise of PHI2" if path.from_rise else "fall of PHI2",
        "there_ns": path.periods * period,
        "takes_ns": path.takes,
        "slack_ns": path.slack(period),
        "late": not path.on_paper and is_late(path.slack(period)),
        "on_paper": path.on_paper,
        "highest_mhz": path.highest_mhz,
        "terms": [_term_data(term) for term in path.terms],
        "unknown": list(path.unknown),
    }


def _term_data(term: Term) -> dict[str, Any]:
    return {
        "part": term.part,
        "what": term.what,
        "ns": term.most,
        "least_ns": term.least,
        "columns": list(term.columns),
        "sources": [source.title for source in term.sources],
        "basis": list(dict.fromkeys(source.basis for source in term.sources)),
        "from_memory": any(source.basis == FROM_MEMORY for source in term.sources),
    }
