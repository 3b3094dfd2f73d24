"""A map as a drawing: the 64 KiB on the left, the registers with their bits on the right; readable in print, in grey.

Each area is a line of text high, and higher the larger it is, so that every label has room; what belongs to nobody is
hatched. Every text is 6 pt high at least, at 96 dots per inch.
"""

from __future__ import annotations

from collections.abc import Iterator

from simkit.address_map.areas import Area as Stretch
from simkit.address_map.areas import Coarse, coarser
from simkit.address_map.whole import AddressMap
from simkit.address_map.words import (
    NOBODY,
    access_text,
    address_text,
    card_name,
    coarse_text,
    head,
    line_text,
    use_text,
    vector_text,
)
from simkit.backplane.areas import area, first_of
from simkit.backplane.select import ADDRESSES
from simkit.looks.colours import INK, MUTED, PAPER, WHITE
from simkit.looks.drawing import LETTER, Area, Drawing, Stroke, Words
from simkit.machine.registers import Placed

SMALL = 10
"""Size of letters in pixels; 8 pixels are 6 pt."""
NORMAL = SMALL + 1
LARGE = SMALL + 5
_LINE = 18
"""Height of a line of text with its room."""
_MARGIN = 16
_SCALE = 420
"""Height in pixels of 64 KiB beside the least height of each area."""
_ADDRESS, _BOX, _GAP = 48, 330, 70
_LEFT = _MARGIN + _ADDRESS
_RIGHT = _LEFT + _BOX + _GAP
_NAME, _CELL = 250, 76
_WIDTH = _RIGHT + _NAME + 8 * _CELL + _MARGIN
_TOP = 64
_HATCH = 9
MOST_AREAS = 48
"""Areas that are drawn one by one; small ones are drawn together where there are more."""

Thing = Stroke | Area | Words


def drawn(found: AddressMap) -> Drawing:
    """The drawing of a map."""
    things: list[Thing] = [
        Words((_MARGIN, 24), _cut(head(found), _WIDTH - 2 * _MARGIN, LARGE), LARGE, bold=True),
        Words((_LEFT, 50), "Addresses", NORMAL, bold=True),
        Words((_RIGHT, 50), "I/O in detail: registers, bit 7 to bit 0 as the CPU sees them", NORMAL, bold=True),
    ]
    middles: dict[int, float] = {}
    left = float(_TOP)
    for one in coarser(found.areas, MOST_AREAS):
        height = _LINE + _SCALE * (one.last - one.first + 1) / ADDRESSES
        things += _area(found, one, left, height)
        for slot in _slots(one):
            middles.setdefault(slot, left + height / 2)
        left += height
    right = float(_TOP)
    for slot, card in found.cards.items():
        registers = [one for one in found.registers_of(slot) if one.answers]
        if not registers:
            continue
        if slot in middles:
            things.append(_leader(middles[slot], right + _LINE / 2))
        things += _block(found, slot, registers, right, dict(card.lines))
        right += _LINE * (len(registers) + 1) + 8
    below = max(left, right) + 12
    rows = [vector_text(found, one) for one in found.vectors]
    rows += [f"{one.name}: {line_text(found, one)}" for one in found.lines if one.drivers or one.decoder]
    things += [Words((_MARGIN, below + _LINE), "Vectors and lines", NORMAL, bold=True)]
    for number, text in enumerate(rows, start=2):
        things.append(Words((_MARGIN, below + number * _LINE), _cut(text, _WIDTH - 2 * _MARGIN, NORMAL), NORMAL))
    height = round(below + (len(rows) + 2) * _LINE)
    return Drawing(_WIDTH, height, f"Address map of {found.machine.description.name}", things, WHITE)


def _slots(one: Stretch | Coarse) -> set[int]:
    if isinstance(one, Coarse):
        return set(one.slots)
    return {slot for use in one.uses.values() for slot in use.slots}


def _area(found: AddressMap, one: Stretch | Coarse, top: float, height: float) -> Iterator[Thing]:
    box = _corners(_LEFT, top, _BOX, height)
    text = _area_text(found, one)
    if text == NOBODY:
        yield Area(box, WHITE)
        yield from _hatch(top, height)
        width = LETTER * NORMAL * len(text) + 8
        yield Area(_corners(_LEFT + 4, top + height / 2 - 7, width, 14), WHITE)
    else:
        yield Area(box, PAPER if any(found.seats[slot].plain is not None for slot in _slots(one)) else WHITE)
    yield Stroke([*box, box[0]], INK, 1)
    yield Words((_LEFT + 8, top + height / 2 + 4), _cut(text, _BOX - 12, NORMAL), NORMAL)
    yield Words((_LEFT - 6, top + 12), f"${one.first:04X}", SMALL, anchor="end")


def _area_text(found: AddressMap, one: Stretch | Coarse) -> str:
    if isinstance(one, Coarse):
        return coarse_text(found, one)
    if one.only is not None:
        return use_text(found, one.only, one.first, one.last)
    slots = " and ".join(card_name(found, slot) for slot in sorted(_slots(one)))
    return f"{slots or NOBODY}, by {' '.join(one.lines)}"


def _hatch(top: float, height: float) -> Iterator[Stroke]:
    """Lines from the lower left to the upper right, within the box."""
    step = _HATCH
    for start in range(step, round(_BOX + height), step):
        x1, y1 = min(start, _BOX), max(start - _BOX, 0)
        x2, y2 = max(start - height, 0), min(start, height)
        yield Stroke([(_LEFT + x1, top + y1), (_LEFT + x2, top + y2)], MUTED, 0.5)


def _leader(from_y: float, to_y: float) -> Stroke:
    """From an area to the list of its registers."""
    begin, end = _LEFT + _BOX, _RIGHT - 4
    return Stroke([(begin, from_y), (begin + 14, from_y), (end - 14, to_y), (end, to_y)], INK, 1)


def _block(found: AddressMap, slot: int, registers: list[Placed], top: float, pins: dict[str, str]) -> Iterator[Thing]:
    answers = 0
    for one in registers:
        answers |= one.answers
    first, last = first_of(answers), answers.bit_length() - 1
    title = f"{card_name(found, slot)}, {area(first or 0, last)}"
    yield Words((_RIGHT, top + 13), _cut(title, _NAME + 8 * _CELL, NORMAL), NORMAL, bold=True)
    for number, one in enumerate(registers, start=1):
        yield from _register(one, top + number * _LINE, pins)


def _register(one: Placed, top: float, pins: dict[str, str]) -> Iterator[Thing]:
    label = f"{address_text(one)} {one.register.name}, {access_text(one)}"
    yield Words((_RIGHT, top + 13), _cut(label, _NAME - 6, SMALL), SMALL)
    left = _RIGHT + _NAME
    if not one.bits:
        box = _corners(left, top, 8 * _CELL, _LINE)
        yield Stroke([*box, box[0]], INK, 1)
        if one.register.help:
            yield Words((left + 4, top + 13), _cut(one.register.help, 8 * _CELL - 8, SMALL), SMALL)
        return
    for number in reversed(range(8)):
        box = _corners(left, top, _CELL, _LINE)
        names = [
            f"{'not ' if bit.inverted else ''}{_name(one, bit.name, pins)}"
            for bit in one.bits
            if bit.seen >> number & 1
        ]
        if not names:
            yield Area(box, PAPER)
        yield Stroke([*box, box[0]], INK, 1)
        if names:
            yield Words((left + _CELL / 2, top + 13), _cut("+".join(names), _CELL - 2, SMALL), SMALL, anchor="middle")
        left += _CELL


def _name(one: Placed, bit: str, pins: dict[str, str]) -> str:
    """What stands in a cell: of a port's pin the line that it is joined to."""
    return pins.get(bit, bit) if one.register.is_port else bit


def _corners(left: float, top: float, width: float, height: float) -> list[tuple[float, float]]:
    return [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]


def _cut(text: str, width: float, size: int) -> str:
    """A text that fits, its end left out if need be."""
    most = int(width / (LETTER * size))
    return text if len(text) <= most else f"{text[: most - 1]}…"
