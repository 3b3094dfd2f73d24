"""Faults of a machine as described: read with their places, laid over its cards, and held against them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import attrs

from simkit.backplane.board import Board
from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.faults import MAX_FAULTS, Cell, Clock, Fault, Pulse, Set, WriteEnd
from simkit.backplane.select import Select
from simkit.contract.errors import SimkitError, numbers
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.merge import MachineErrors, Table
from simkit.machinefile.tomlplaces import Place

Said = tuple[Fault, Place]
"""A fault, and where it is said."""
GIVEN = Place("given fault")


def said_in(top: Table, errors: MachineErrors) -> list[Said]:
    """Faults of a machine file."""
    value = top.values.get("faults", [])
    if not isinstance(value, list):
        errors.tell(f"{value!r:.80} is no list of faults.", top.place("faults"), 'Write faults = ["slot 4: D3 open"].')
        return []
    if len(value) > MAX_FAULTS:
        errors.tell(f"{len(value)} faults; {MAX_FAULTS} are allowed.", top.place("faults"), "Shorten it.")
        return []
    return read_all(value, lambda number: top.place(f"faults.{number}"), errors)


def read_all(faults: Iterable[Any], at: Callable[[int], Place], errors: MachineErrors) -> list[Said]:
    """Faults as sentences or read, each with its place; what is none is told."""
    found: list[Said] = []
    for number, one in enumerate(faults):
        try:
            found.append((one if isinstance(one, Fault) else read_fault(one), at(number)))
        except SimkitError as error:
            errors.tell(error.message, at(number), error.remedy or "", field="faults")
    return found


def with_settings(cards: Mapping[int, Table], faults: Sequence[Said]) -> Mapping[int, Table]:
    """Tables of cards with the settings that faults change; the others as they are."""
    found: dict[int, Table] = {}
    for fault, place in faults:
        what = fault.what
        if isinstance(what, Set) and what.slot in cards:
            table = found.get(what.slot, cards[what.slot])
            own = table.values.get("settings", {})
            settings = {**(own if isinstance(own, dict) else {}), what.name: what.value}
            found[what.slot] = attrs.evolve(
                table,
                values={**table.values, "settings": settings},
                origin={**table.origin, f"settings.{what.name}": place},
            )
    return {**cards, **found}


def check_faults(description: Description, slots: Iterable[int], faults: Sequence[Said], errors: MachineErrors) -> None:
    """Tell of faults that the cards in their slots cannot have, wiring and settings apart, which tell of themselves."""
    cards = {card.slot: card for card in description.cards}
    for fault, place in faults:
        what = fault.what
        if not isinstance(what, Set | Cell | WriteEnd | Clock) or what.slot is None:
            continue
        if what.slot not in slots:
            remedy = f"Slots with cards: {numbers(slots)}."
            errors.tell(f"{str(fault)!r}: there is no card in slot {what.slot}.", place, remedy, field="faults")
        elif isinstance(what, Set) and not fault.is_static:
            why = "a setting is what it is when the power comes on"
            errors.tell(f"{str(fault)!r}: {why}.", place, "Leave the time out.", field="faults")
        elif (card := cards.get(what.slot)) is not None:
            try:
                _check_at_card(card, fault)
            except SimkitError as error:
                errors.tell(f"{str(fault)!r}: {error.message}", place, error.remedy or "", field="faults")


def _check_at_card(card: CardDescription, fault: Fault) -> None:
    what = fault.what
    board = Board.of(card.card, card.settings, "", card.slot)
    if isinstance(what, Cell):
        if board.image_size is None:
            raise SimkitError("the card has no ROM.", remedy="Name the slot of one; of a RAM say what its lines do.")
        if not fault.is_static:
            raise SimkitError("a bit of a ROM is so for good.", remedy="Leave the time out.")
        offset_of(what, card, board.image_size)
    elif not (board.registers or board.address_pins):
        raise SimkitError("nothing is read or written there.", remedy="Name the slot of a card with an address.")
    elif isinstance(what, Clock) and what.pulse is Pulse.DOUBLED and board.image_size is not None:
        raise SimkitError("a ROM has no clock.", remedy="Name a card that counts accesses.")


def offset_of(cell: Cell, card: CardDescription, size: int) -> int:
    """Where a byte of a ROM stands in the part.

    An address is that of the program: what wiring does to it on the way is another fault.

    Raises:
        SimkitError: it is not in the part.
    """
    if cell.in_part:
        if cell.at >= size:
            raise SimkitError(f"the part has {size} bytes.", remedy=f"Offsets go from $0000 to ${size - 1:04X}.")
        return cell.at
    if size > 0x10000:
        raise SimkitError(f"the part has {size} bytes, more than addresses.", remedy='Write "offset $12345".')
    if not _is_selected(card, cell.at):
        remedy = f"Its select: {', '.join(card.select)}."
        raise SimkitError(f"the card is not selected at ${cell.at:04X}.", remedy=remedy)
    return cell.at % size


def _is_selected(card: CardDescription, address: int) -> bool:
    """Whether a card answers an address; true where lines of other cards decide, or another fault."""
    select = Select(card.select, card.not_select)
    if select.lines or card.is_decoded_as_said:
        return True
    return bool(select.table({"RW": True, "PHI2": True}) >> address & 1)


def cells_of(description: Description, slot: int, size: int) -> list[tuple[Cell, int]]:
    """Bytes of the ROM in a slot that are other than was meant, each with its offset in the part."""
    card = next(card for card in description.cards if card.slot == slot)
    cells = [fault.what for fault in description.faults if isinstance(fault.what, Cell) and fault.slot == slot]
    return [(cell, offset_of(cell, card, size)) for cell in cells]
