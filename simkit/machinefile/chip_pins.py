"""Pins under the names that data sheets give them: which pin or line of the board they are."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import attrs

from simkit.backplane.board import Board
from simkit.backplane.sentences import check_entry
from simkit.backplane.wiring import DATA_LINES, OUTPUTS, RAIL_OF, SHEET_NAMES, Done, Entry
from simkit.contract.errors import SimkitError
from simkit.contract.lines import SYSTEM_LINES
from simkit.machinefile.strobe_pins import renamed, strobe_pins, usual_pin

_ANY_SELECT = ("CE", "CS")
"""Names under which people speak of the select of any part."""


def in_names_of_the_board(
    entry: Entry,
    board: Board,
    names: Mapping[str, str],
    signals: Collection[str] = (),
    lines: Mapping[str, str] | None = None,
) -> Entry:
    """An entry of a slot with pins called as the kit calls them.

    Args:
        entry: as read.
        board: of the card that stands there.
        names: its `pin_names`.
        signals: lines of the backplane that decoders drive.
        lines: by pin the line that keys join it to.

    Raises:
        SimkitError: what it says cannot be done there.
    """
    entry = _with_names_for_contacts(entry, board)
    if entry.shorted_to_rail:
        return _shorted_to_rail(entry, board, names, signals)
    if not entry.name or (not entry.at_pin and entry.done not in (Done.EXCHANGED, Done.SHORTED)):
        return entry
    strobes = strobe_pins(board)
    own = {f"A{n}" for n in range(board.address_pins)} | set(DATA_LINES) | {pin.name for pin in board.pins}

    def known(name: str) -> str:
        if name in own or name in strobes:
            return name
        called = names.get(name, name)
        if called in _ANY_SELECT and called not in strobes:
            return usual_pin(board)
        return called if called in own or called in strobes else SHEET_NAMES.get(called, called)

    if not entry.at_pin:
        other = known(entry.other)
        if other in strobes or other in {pin.name for pin in board.pins}:
            remedy = "Name two pins, or two lines."
            raise SimkitError(
                f"{str(entry)!r}: {entry.other} is a pin of the card, {entry.name} a line.", remedy=remedy
            )
        return attrs.evolve(entry, other=SHEET_NAMES.get(entry.other, entry.other))
    name, other = known(entry.name), entry.other
    if entry.done in (Done.SHORTED, Done.EXCHANGED):  # with a line, if it is one itself
        other = SHEET_NAMES.get(other, other) if name in SYSTEM_LINES else known(other)
    if entry.done in OUTPUTS and name not in own:  # an output goes by its line, too
        name = next((pin for pin, line in (lines or {}).items() if line == name), "INT" if name == "IRQ" else name)
        return attrs.evolve(entry, name=name)
    at_pin = not (name in SYSTEM_LINES or name in ("RW", "PHI2") or name in signals)
    found = renamed(attrs.evolve(entry, name=name, other=other, at_pin=at_pin), board)
    if found != entry and found.name not in strobes:
        check_entry(str(entry), found)
    return found


def _with_names_for_contacts(entry: Entry, board: Board) -> Entry:
    """An entry with the names that the sheet of the part has for numbers of contacts."""
    if not entry.at_pin or not (entry.name.isdigit() or entry.other.isdigit()):
        return entry

    def named(word: str) -> str:
        if not word.isdigit():
            return word
        if int(word) not in board.contacts:
            why = "there is no such contact" if board.contacts else "the kit does not know the contacts of that part"
            raise SimkitError(f"{str(entry)!r}: {why}.", remedy="Name the pin as its sheet does.")
        return board.contacts[int(word)]

    found = attrs.evolve(entry, name=named(entry.name), other=named(entry.other))
    check_entry(str(entry), found)
    return found


def _shorted_to_rail(entry: Entry, board: Board, names: Mapping[str, str], signals: Collection[str]) -> Entry:
    """As `in_names_of_the_board`; a pin that is not brought out is held low or high alone."""
    level = next(done for done, rail in RAIL_OF.items() if rail == entry.other)
    found = in_names_of_the_board(attrs.evolve(entry, done=level, other=""), board, names, signals)
    if found.name in SYSTEM_LINES or found.name in {pin.name for pin in board.pins}:
        return attrs.evolve(found, done=Done.SHORTED, other=entry.other)
    return found
