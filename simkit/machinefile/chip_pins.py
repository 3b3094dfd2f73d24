"""Pins under the names that data sheets give them: which pin or line of the board they are, and what strobes become.

A machine file knows a card's select and strobes as expressions. The pins CE, OE and WE of a part are the same at
its other end, active low (AT28C256 and 39SF010A data sheets, pin descriptions): OE held low is an output enable that
is always true, OE open one that never is, as an open input reads high.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import attrs

from simkit.backplane.board import Board
from simkit.backplane.sentences import check_entry
from simkit.backplane.wiring import DATA_LINES, READ_STROBE, WRITE_STROBE, Done, Entry, Wiring, plain
from simkit.contract.errors import SimkitError
from simkit.contract.lines import SYSTEM_LINES

LINES = {
    "RWB": "RW",
    "RES": "RESET",
    "RESB": "RESET",
    "RST": "RESET",
    "IRQB": "IRQ",
    "NMIB": "NMI",
}
"""Lines of the backplane under the names that pins of CPU and cards have for them."""
STROBE_PINS = {"CE": Done.SELECTED, "OE": Done.OUTPUT_ENABLE, "WE": Done.WRITE_ENABLE}
_OTHERWISE = {Done.SELECTED: "never", Done.OUTPUT_ENABLE: READ_STROBE, Done.WRITE_ENABLE: WRITE_STROBE}


def in_names_of_the_board(entry: Entry, board: Board, names: Mapping[str, str]) -> Entry:
    """An entry of a slot with pins called as the kit calls them.

    Args:
        entry: as read.
        board: of the card that stands there.
        names: its `pin_names`.

    Raises:
        SimkitError: what it says cannot be done there.
    """
    if not entry.name or not entry.at_pin:
        return entry
    own = {f"A{n}" for n in range(board.address_pins)} | set(DATA_LINES) | {pin.name for pin in board.pins}

    def known(name: str) -> str:
        return name if name in own else names.get(name) or LINES.get(name, name)

    name, other = known(entry.name), entry.other
    if entry.done in (Done.SHORTED, Done.EXCHANGED):
        other = known(other)
    if (name, other) == (entry.name, entry.other):
        return entry
    at_pin = not (name in SYSTEM_LINES or name in ("RW", "PHI2"))
    found = attrs.evolve(entry, name=name, other=other, at_pin=at_pin)
    if name not in STROBE_PINS:
        check_entry(str(entry), found)
    return found


def is_strobe_pin(entry: Entry, board: Board) -> bool:
    """Whether something is done to the select or to a strobe at its pin; boards may have other pins of these names."""
    return entry.at_pin and entry.name in STROBE_PINS and entry.name not in {pin.name for pin in board.pins}


def with_strobe_pins(wiring: Wiring, entries: Iterable[Entry]) -> Wiring:
    """Wiring of a card with what is done to its select and strobes at their pins.

    Raises:
        SimkitError: that cannot be done.
    """
    for entry in entries:
        done = STROBE_PINS[entry.name]
        if entry.done is Done.EXCHANGED and {entry.name, entry.other} == {"OE", "WE"}:
            other = STROBE_PINS[entry.other]
            said = [(done, _expression(wiring, other)), (other, _expression(wiring, done))]
        elif entry.done is Done.LOW:
            said = [(done, "always")]
        elif entry.done in (Done.HIGH, Done.OPEN):
            said = [(done, "never")]
        elif entry.done is Done.INVERTED:
            said = [(done, f"not ({_expression(wiring, done)})")]
        elif entry.done is Done.JOINED:
            text = plain(entry.other) if entry.other.startswith("not ") else f"not {entry.other}"
            said = [(done, text)]
        else:
            remedy = "Say when it is true: `output enable`, `write enable` or `selected by`, and an expression."
            raise SimkitError(f"{str(entry)!r}: the kit cannot do that to a strobe.", remedy=remedy)
        if done is Done.SELECTED:
            kept = [one for one in wiring.entries if one.done not in (Done.SELECTED, Done.NOT_SELECTED)]
            wiring = Wiring(tuple(kept))
        wiring += Wiring(tuple(Entry(one, "", text, entry.slot) for one, text in said))
    return wiring


def _expression(wiring: Wiring, done: Done) -> str:
    """When a select or strobe is true, as one expression."""
    if done is not Done.SELECTED:
        return wiring.strobe(done, _OTHERWISE[done])
    text = _any(wiring.only(Done.SELECTED))
    excluded = wiring.only(Done.NOT_SELECTED)
    return f"({text}) and not ({_any(excluded)})" if excluded else text


def _any(entries: Iterable[Entry]) -> str:
    texts = [_of_pattern(entry.other) for entry in entries]
    return " or ".join(texts) if texts else "never"


def _of_pattern(text: str) -> str:
    bits = "".join(text.split()).replace("_", "")
    if set(bits) - set("01xX"):
        return f"({text})"
    terms = [("" if bit == "1" else "not ") + f"A{15 - n}" for n, bit in enumerate(bits) if bit not in "xX"]
    return f"({' and '.join(terms) or 'always'})"
