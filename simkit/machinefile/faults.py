"""Faults of a machine as described: read with their places, laid over its cards, and held against them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from fractions import Fraction
from typing import Any

import attrs

from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.faults import MAX_FAULTS, Cell, Clock, Fault, Pulse, Set
from simkit.backplane.select import Select
from simkit.backplane.sentences import place_of
from simkit.backplane.wiring import CPU, CPU_PIN_LINES, Entry, plain
from simkit.contract.errors import SimkitError, numbers
from simkit.machinefile.catalogue import card_class
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.meant import setting_said
from simkit.machinefile.merge import MachineErrors, Table
from simkit.machinefile.tomlplaces import Place

MOST_BY_CHANCE = 6
"""Faults of wiring that may come by chance: each way in which some are there together is worked out and kept."""
MOST_MISSING = 1_000_000
"""Pulses of PHI2 that may be missing one after another."""
MOST_OFTEN = Fraction(99, 100)
Said = tuple[Fault, Place]
"""A fault, and where it is said."""
GIVEN = Place("given fault")


def no_list(faults: str) -> SimkitError:
    """The error to raise where one sentence stands in the place of a list of them."""
    return SimkitError(f"{faults!r:.80} is no list of faults.", remedy=f"Write [{faults[:60]!r}].")


def said_in(top: Table, cards: Mapping[int, Table], errors: MachineErrors) -> list[Said]:
    """Faults of a machine file, which has these cards."""
    value = top.values.get("faults", [])
    if not isinstance(value, list):
        errors.tell(f"{value!r:.80} is no list of faults.", top.place("faults"), 'Write faults = ["slot 4: D3 open"].')
        return []
    if len(value) > MAX_FAULTS:
        errors.tell(f"{len(value)} faults; {MAX_FAULTS} are allowed.", top.place("faults"), "Shorten it.")
        return []
    return read_all(value, cards, lambda number: top.place(f"faults.{number}"), errors)


def read_all(
    faults: Iterable[Any], cards: Mapping[int, Table], at: Callable[[int], Place], errors: MachineErrors
) -> list[Said]:
    """Faults of a machine with these cards, as sentences or read, each with its place; what is none is told."""
    found: list[Said] = []
    for number, one in enumerate(faults):
        try:
            found.append((one if isinstance(one, Fault) else read_fault(one), at(number)))
        except SimkitError as error:
            place = at(number)
            remedy = _setting_said(one, cards) or error.remedy or ""
            errors.tell(error.message, place, remedy, field="" if place == GIVEN else "faults")
    return found


def _setting_said(text: Any, cards: Mapping[int, Table]) -> str:
    """How it is said what a refused sentence may say of a setting of a card; "" where it names none."""
    with suppress(SimkitError):  # there is no such slot, or its card cannot be loaded: told elsewhere
        slot, rest = place_of(text) if isinstance(text, str) else (None, "")
        table = cards.get(slot or CPU)
        kind = table.values.get("kind") if table is not None else None
        if table is not None and isinstance(kind, str):
            return setting_said(rest, slot or CPU, card_class(kind, table.folders["kind"]).Settings)
    return ""


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


def check_count(faults: Sequence[Said], errors: MachineErrors) -> None:
    """Tell of more faults of wiring that come by chance than there are ways to keep: two to the power of them."""
    by_chance = [
        (fault, place) for fault, place in faults if isinstance(fault.what, Entry) and fault.when.rate is not None
    ]
    if len(by_chance) > MOST_BY_CHANCE:
        why = f"{len(by_chance)} faults of wiring come by chance; {MOST_BY_CHANCE} are allowed."
        errors.tell(why, by_chance[MOST_BY_CHANCE][1], "Leave some out, or say from when until when they are there.")


def check_faults(description: Description, slots: Iterable[int], faults: Sequence[Said], errors: MachineErrors) -> None:
    """Tell of faults that the cards in their slots cannot have, wiring and settings apart, which tell of themselves."""
    cards = {card.slot: card for card in description.cards}
    for fault, place in faults:
        try:
            _check(fault, description, slots, cards)
        except SimkitError as error:
            field = "" if place == GIVEN else "faults"
            errors.tell(f"{str(fault)!r}: {error.message}", place, error.remedy or "", field=field)


def _check(fault: Fault, description: Description, slots: Iterable[int], cards: Mapping[int, CardDescription]) -> None:
    what = fault.what
    _check_time(fault, description)
    if isinstance(what, Entry) or what.slot is None:
        return
    if what.slot not in slots:
        raise SimkitError(f"there is no card in slot {what.slot}.", remedy=f"Slots with cards: {numbers(slots)}.")
    if isinstance(what, Set):
        if not fault.is_static:
            raise SimkitError("a setting is what it is when the power comes on.", remedy="Leave the time out.")
    elif (card := cards.get(what.slot)) is not None:  # else another fault has taken it out
        _check_at_card(card, fault)


def _check_time(fault: Fault, description: Description) -> None:
    """Refuse what cannot come and go, or be there for so long."""
    what, when = fault.what, fault.when
    if isinstance(what, Entry) and not fault.is_static:
        if what.slot == CPU or any(name in CPU_PIN_LINES for name in (what.name, plain(what.other))):
            remedy = "Leave the time out, or say it of a line."
            raise SimkitError("what pins of the CPU are joined to is so from power-on.", remedy=remedy)
    elif isinstance(what, Clock) and what.pulse is Pulse.MISSING and what.slot is None:
        longest = when.spell.cycles(description.clock_hz)
        if when.rate is None:
            begin = 0 if when.first is None else when.first.cycles(description.clock_hz)
            longest = MOST_MISSING + 1 if when.until is None else when.until.cycles(description.clock_hz) - begin
        if longest > MOST_MISSING or (when.rate is not None and when.rate > MOST_OFTEN):
            remedy = f'Write e.g. "{what}, 1 in 1000"; {MOST_MISSING} pulses in a row are the most.'
            raise SimkitError("without a clock no cycle passes.", remedy=remedy)


def _check_at_card(card: CardDescription, fault: Fault) -> None:
    what = fault.what
    board = card.board
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


def burnt(description: Description, slot: int, image: bytes, size: int) -> bytes:
    """What the ROM in a slot holds, into which an image was put: the image, but for cells that are otherwise."""
    cells = cells_of(description, slot, size)
    if not cells:
        return image
    content = bytearray(image.ljust(size, b"\xff"))  # an erased byte reads $FF
    for cell, offset in cells:
        cell.put_into(content, offset)
    return bytes(content)
