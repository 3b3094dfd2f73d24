"""The chips on a schematic that cards of the machine stand for: a memory, a 6522, a video chip.

A chip is found by its value, and its pins by the names of its symbol. Values: common type numbers (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping

import attrs

from simkit.contract.lines import Drive as OutputStage
from simkit.logic.drive import Drive
from simkit.logic.parts import part_type
from simkit.logic.parttype import Direction, Levels, Output, PartType, Pin
from simkit.machinefile.description import CardDescription
from simkit.schematic.netlist import Component, Netlist, number_of

_VALUES = {
    "sram": r"[A-Z]{0,4}(6[12]\d{2,4}|6C\d{2,5}|7C1\d{2}|55\d{3})",
    "rom": r"[A-Z]{0,3}(27|28|29|39)[A-Z]{0,3}\d{2,4}",
    "ports-6522": r"[A-Z]{0,3}65[A-Z]{0,3}22",
    "serial-6551": r"[A-Z]{0,3}65[A-Z]{0,3}51",
    "tile-video": r"[A-Z]{0,3}99[12][89]",
}
"""By kind of card, how the value of its chip begins."""
_Drives = Callable[[Levels, Levels, int], Drive]
_DATA = tuple(f"D{n}" for n in range(8))
_CONTROLS = ("OE", "WE", "RW", "PHI2")
_ALSO = {"R/W": "RW", "RWB": "RW", "R/WB": "RW", "Φ2": "PHI2", "Ø2": "PHI2", "PH2": "PHI2", "CLK": "PHI2", "02": "PHI2"}


@attrs.frozen
class Chip:
    """A chip on the schematic as a card's.

    Attributes:
        ref: its reference.
        card: kind of card and what its board says.
        pins: number by name, as the card calls the pin.
        type: as a part of a network; what it gives on its data pins and other outputs is state.
    """

    ref: str
    card: CardDescription
    pins: Mapping[str, str]
    type: PartType

    @property
    def is_whole(self) -> bool:
        """Whether all eight data pins were found."""
        return all(name in numbered(self.pins) for name in _DATA)


def can_be(component: Component, card: CardDescription) -> bool:
    """Whether a part can be the chip of a card, by its value or the name of its symbol.

    Of a card that is not the kit's the chip is the part that it says to be faithful to.
    """
    if part_type(component.value) is not None or part_type(component.part) is not None:
        return False
    pattern = _VALUES.get(card.kind)
    if pattern is None:
        names = [re.escape(word) for word in re.findall(r"[A-Z]*\d{2,}[A-Z0-9]*", card.card.faithful_to)]
        pattern = "|".join(names)
    return bool(pattern) and any(
        re.match(pattern, text.upper().replace("-", "")) for text in (component.value, component.part) if text
    )


def has_chip(card: CardDescription) -> bool:
    """Whether a card of the kit stands for one chip on the bus, rather than for a board of logic parts."""
    return card.kind in _VALUES


def chip_of(netlist: Netlist, component: Component, card: CardDescription) -> Chip:
    """A part as the chip of a card."""
    named: dict[str, str] = {}
    numbers = netlist.pins_of(component.ref).keys() | component.pin_names.keys()
    known = _known(card)
    for number in sorted(numbers, key=lambda text: (len(text), text)):
        raw = component.pin_names.get(number, "")
        contact = number_of(number)
        if not raw and contact is not None:
            raw = card.board.contacts.get(contact, "")
        name = _as_called(raw, known, card)
        if name is not None:
            named.setdefault(name, number)
    return Chip(component.ref, card, named, _type(card, named))


def _known(card: CardDescription) -> set[str]:
    board = card.board
    addresses = {f"A{n}" for n in range(board.address_pins)}
    return {*addresses, *_DATA, *board.chip_selects, *_CONTROLS, *(pin.name for pin in board.pins)}


def _as_called(raw: str, known: set[str], card: CardDescription) -> str | None:
    name = raw.upper().replace("{SLASH}", "/").strip("/!# ")
    name = re.sub(r"^(I/O|IO)_?(\d+)$", r"IO\2", name)
    names = card.card.pin_names
    for text in (name, f"{name}B", name.removesuffix("B"), name.removeprefix("N")):
        for one in (names.get(text), _ALSO.get(text), text):
            if one in known:
                return one
    if name in ("IRQ", "IRQB") and "INT" in known:
        return "INT"
    return None


def _type(card: CardDescription, pins: Mapping[str, str]) -> PartType:
    numbers = numbered(pins)
    selects = {numbers[name]: level for name, level in card.board.chip_selects.items() if name in numbers}
    outputs: dict[int, Output] = {}
    of = tuple(dict.fromkeys((*selects, *(numbers[name] for name in _CONTROLS if name in numbers))))
    for name in _DATA:
        if name in numbers:
            outputs[numbers[name]] = Output(of, _gives(card, numbers, numbers[name]))
    for spec in card.board.pins:
        if spec.name in numbers and spec.drive is not OutputStage.INPUT:
            outputs.setdefault(numbers[spec.name], Output((), _pulls(numbers[spec.name], spec.drive)))
    found = {number: Pin(number, name, Direction.BOTH) for name, number in numbers.items()}
    return PartType(card.kind, found, 0, 0, outputs, tuple(outputs))


def numbered(pins: Mapping[str, str]) -> dict[str, int]:
    """Numbers of pins by name, of those that have one."""
    return {name: number for name, text in pins.items() if (number := number_of(text)) is not None}


def _pulls(pin: int, stage: OutputStage) -> _Drives:
    """An output that is low where its state is, and else high if it can drive so; three-state ones let go."""

    def drive(levels: Levels, state: Levels, ones: int) -> Drive:
        return Drive(ones, state[pin]) if stage is OutputStage.PUSH_PULL else Drive(ones ^ state[pin], 0)

    return drive


def _gives(card: CardDescription, numbers: Mapping[str, int], pin: int) -> _Drives:
    def drive(levels: Levels, state: Levels, ones: int) -> Drive:
        driven = acts(card, numbers, levels, ones)[1]
        return Drive(driven, driven & state[pin])

    return drive


def acts(card: CardDescription, numbers: Mapping[str, int], levels: Levels, ones: int) -> tuple[int, int, int]:
    """Where a chip is selected, gives a byte, and takes one, by the levels at its pins."""

    def level(name: str, otherwise: bool) -> int:
        number = numbers.get(name)
        return (ones if otherwise else 0) if number is None else levels[number]

    selected = ones
    for name, wanted in card.board.chip_selects.items():
        table = level(name, wanted)
        selected &= table if wanted else ones ^ table
    output = (ones ^ level("OE", False)) & level("RW", True) & level("PHI2", True)
    write = ones ^ level("WE" if "WE" in numbers else "RW", True)
    write &= level("PHI2", True)
    winning = card.card.winning_strobe
    gives, takes = selected & output, selected & write
    if winning == "write":
        return selected, gives & ~takes, takes
    return selected, gives, takes & ~gives if winning == "output" else takes


def found_chips(netlist: Netlist, components: Iterable[Component], card: CardDescription) -> list[Chip]:
    """Parts that can be a card's chip."""
    chips = (chip_of(netlist, one, card) for one in components if can_be(one, card))
    return [chip for chip in chips if chip.is_whole]
