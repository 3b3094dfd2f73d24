"""Chip selects and strobes at the pins of the part: what stands at each, and when the card is selected by all of them.

A part is selected while each of its chip selects has its level (`Card.chip_selects`). Where a machine file says the
select as one expression, the decoder's output stands at the first pin that is low when true, and the others are tied
to their levels, as most boards have it (common practice, from memory). The pins OE and WE are the other end of the two
strobes, low when true (AT28C256 and 39SF010A data sheets, pin descriptions).

A level is an expression that is true while the pin is high; an open input reads high.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import attrs

from simkit.backplane.board import Board
from simkit.backplane.select import Select, expression
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, Done, Entry, Wiring
from simkit.contract.errors import SimkitError

STROBES = {"OE": (Done.OUTPUT_ENABLE, READ_STROBE), "WE": (Done.WRITE_ENABLE, WRITE_STROBE)}
"""By pin the strobe, and what it is where nothing is said."""
_HIGH, _LOW = "always", "never"
_CONSTANT = {_HIGH: _LOW, _LOW: _HIGH}
_ATOM = re.compile(r"(?!(?:not|and|or)\b)(?:[A-Za-z][A-Za-z0-9_.]*|(?:[01xX][ _]*){15}[01xX])", re.IGNORECASE)


def usual_pin(board: Board) -> str:
    """The chip select at which a decoder's output stands where nothing else is said."""
    low = [pin for pin, level in board.chip_selects.items() if not level]
    return low[0] if low else next(iter(board.chip_selects))


def strobe_pins(board: Board) -> list[str]:
    """Pins of select and strobes, without those names that the board has for other pins."""
    others = {pin.name for pin in board.pins}
    return [name for name in (*board.chip_selects, *STROBES) if name not in others]


def selected_by(board: Board, levels: Mapping[str, str]) -> str:
    """When a card is selected, by the levels at its chip selects; those that are not named have theirs."""
    said = [levels[pin] if high else opposite(levels[pin]) for pin, high in board.chip_selects.items() if pin in levels]
    return _all(said)


def with_strobe_pins(
    wiring: Wiring,
    entries: Iterable[Entry],
    board: Board,
    levels: Mapping[str, str] | None = None,
    *,
    has_rw: bool = False,
) -> Wiring:
    """Wiring of a card with what is done to its chip selects and strobes at their pins.

    Args:
        wiring: all else that is said of the card.
        entries: what is done there, in the names of the board.
        board: of the card.
        levels: at its chip selects, by pin; None: `wiring` says when it is selected.
        has_rw: whether the part has a pin R/W of its own.

    Raises:
        SimkitError: that cannot be done.
    """
    pins = _Pins(wiring, board, levels, has_rw=has_rw)
    for entry in entries:
        pins.do(entry)
    return pins.wired()


class _Pins:
    """Levels at chip selects and strobes, while one thing after the other is done to them."""

    def __init__(self, wiring: Wiring, board: Board, levels: Mapping[str, str] | None, *, has_rw: bool) -> None:
        self._wiring = wiring
        self._board = board
        self._has_rw = has_rw
        self._levels = {pin: _HIGH if high else _LOW for pin, high in board.chip_selects.items()}
        if levels is None:
            usual = usual_pin(board)
            selected = _selected(wiring)
            self._levels[usual] = selected if board.chip_selects[usual] else opposite(selected)
        self._before = {} if levels else dict(self._levels)
        self._levels |= levels or {}
        strobes = {pin: opposite(wiring.strobe(done, usual)) for pin, (done, usual) in STROBES.items()}
        self._before |= strobes
        self._levels |= strobes
        self._rw = "RW"
        self._slot: int | None = None
        self._moved: list[Entry] = []

    def do(self, entry: Entry) -> None:
        """Do one thing.

        Raises:
            SimkitError: it cannot be done.
        """
        name, levels = entry.name, self._levels
        self._slot = entry.slot
        if entry.done is Done.LOW:
            levels[name] = _LOW
        elif entry.done in (Done.HIGH, Done.OPEN):
            levels[name] = _HIGH
        elif entry.done is Done.INVERTED:
            levels[name] = opposite(levels[name])
        elif entry.done in (Done.JOINED, Done.DRIVEN):
            levels[name] = entry.other
        elif entry.done is Done.EXCHANGED:
            other = self._level(entry)
            self._put(entry, levels[name])
            levels[name] = other
        elif entry.done is Done.SHORTED:
            levels[name] = shorted = _together(levels[name], self._level(entry))
            self._put(entry, shorted)
        else:
            remedy = "Say when it is true: `output enable`, `write enable` or `selected by`, and an expression."
            raise SimkitError(f"{str(entry)!r}: the kit cannot do that to a strobe.", remedy=remedy)

    def _level(self, entry: Entry) -> str:
        """Level at the other pin of an exchange or a short."""
        other = entry.other
        if other in self._levels:
            return self._levels[other]
        if re.fullmatch(r"A\d+", other):
            line = self._wiring.joined().get(other, other)
            for one in self._moved:
                if one.name == other:
                    line = one.other or one.done.value
            return {"low": _LOW, "high": _HIGH}.get(line, line)
        if other == "RW" and self._has_rw:
            return self._rw
        remedy = "It does chip selects, OE, WE, address pins, and R/W where the part has it, among themselves."
        if other == "PHI2" and self._has_rw:
            remedy = "PHI2 is the clock of the part, which the kit leaves alone; `PHI2 stuck low` comes nearest."
        raise SimkitError(f"{str(entry)!r}: the kit cannot put {entry.name} and {other} together.", remedy=remedy)

    def _put(self, entry: Entry, level: str) -> None:
        """Have another level at the other pin."""
        other = entry.other
        if other in self._levels:
            self._levels[other] = level
        elif other == "RW":
            self._rw = level
        else:
            self._moved.append(_at_address_pin(other, level, entry.slot))

    def wired(self) -> Wiring:
        """What it comes to."""
        wiring, slot, found = self._wiring, self._slot, list[Entry]()
        if any(self._levels[pin] != self._before.get(pin) for pin in self._board.chip_selects):
            text = selected_by(self._board, self._levels)
            Select((text,))
            kept = [one for one in wiring.entries if one.done not in (Done.SELECTED, Done.NOT_SELECTED)]
            slot = next((one.slot for one in wiring.entries), slot)
            wiring = Wiring((Entry(Done.SELECTED, "", text, slot), *kept))
        for pin, (done, _) in STROBES.items():
            text = opposite(self._levels[pin])
            if self._rw != "RW":
                text = re.sub(r"\bRW\b", _bracketed(self._rw), text)
            if self._levels[pin] != self._before[pin] or self._rw != "RW":
                expression(text)
                wiring = Wiring(tuple(one for one in wiring.entries if one.done is not done))
                found.append(Entry(done, "", text, slot))
        return wiring + Wiring((*found, *self._moved))


def _at_address_pin(pin: str, level: str, slot: int | None) -> Entry:
    if level in _CONSTANT:
        return Entry(Done.HIGH if level == _HIGH else Done.LOW, pin, "", slot, at_pin=True)
    is_line = _ATOM.fullmatch(level.removeprefix("not ")) and not re.fullmatch(r"(?:not )?[01xX _]+", level)
    return Entry(Done.JOINED if is_line else Done.DRIVEN, pin, level, slot, at_pin=True)


def _together(one: str, other: str) -> str:
    """Level of two pins that are shorted: a supply wins, of two outputs the low one."""
    for level in (_LOW, _HIGH):
        if level in (one, other):
            return level
    return one if one == other else _all([one, other])


# expressions ----------------------------------------------------------------------------------------------------------


def opposite(text: str) -> str:
    """An expression that is true where the other is not."""
    if text in _CONSTANT:
        return _CONSTANT[text]
    inner = text.removeprefix("not ")
    if inner != text and _is_whole(inner):
        return inner[1:-1] if inner.startswith("(") else inner
    return f"not {_bracketed(text)}"


def _all(texts: Iterable[str]) -> str:
    """An expression that is true where all of these are."""
    said = list(dict.fromkeys(text for text in texts if text != _HIGH))
    if _LOW in said:
        return _LOW
    if len(said) == 1:
        return said[0]
    return " and ".join(text if _is_whole(text.removeprefix("not ")) else f"({text})" for text in said) or _HIGH


def _bracketed(text: str) -> str:
    return text if _is_whole(text) else f"({text})"


def _is_whole(text: str) -> bool:
    """Whether it is a name, a pattern, or stands in one pair of brackets."""
    if not text.startswith("("):
        return _ATOM.fullmatch(text) is not None
    depth = 0
    for place, letter in enumerate(text):
        depth += (letter == "(") - (letter == ")")
        if depth == 0:
            return place == len(text) - 1
    return False


def _selected(wiring: Wiring) -> str:
    """When the card is selected, as one expression."""
    excluded = wiring.only(Done.NOT_SELECTED)
    return _all([_any(wiring.only(Done.SELECTED)), *([opposite(_any(excluded))] if excluded else [])])


def _any(entries: Iterable[Entry]) -> str:
    texts = [entry.other for entry in entries]
    if len(texts) == 1:
        return texts[0]
    return " or ".join(map(_bracketed, texts)) or _LOW


def level_of(text: str) -> str:
    """A level as a machine file writes it, "GND" and "VCC" as the kit has them.

    Raises:
        SimkitError: it is no expression.
    """
    word = " ".join(text.split())
    expression(word)
    return {"gnd": _LOW, "vss": _LOW, "low": _LOW, "vcc": _HIGH, "vdd": _HIGH, "high": _HIGH, "open": _HIGH}.get(
        word.lower(), word
    )


def renamed(entry: Entry, board: Board) -> Entry:
    """An exchange or short of a strobe pin with another, the strobe pin first."""
    pins = strobe_pins(board)
    if entry.done in (Done.EXCHANGED, Done.SHORTED) and entry.name not in pins and entry.other in pins:
        return attrs.evolve(entry, name=entry.other, other=entry.name, at_pin=True)
    return entry
