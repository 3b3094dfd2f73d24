"""What a type of part is: its pins, and what its outputs do."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import Enum

import attrs

from simkit.logic.drive import Drive

Levels = Mapping[int, int]
"""Tables of levels by pin number."""


class Direction(Enum):
    """What a pin does for the net at it."""

    INPUT = "input"
    OUTPUT = "output"
    BOTH = "input and output"


@attrs.frozen
class Pin:
    """A pin of a type.

    Attributes:
        number: of the pin.
        name: as the data sheet calls it, without the mark of an active level.
        direction: what it does.
        low: whether it is active, or true, while it is low.
        also: other names for it in data sheets.
    """

    number: int
    name: str
    direction: Direction
    low: bool = False
    also: tuple[str, ...] = ()


@attrs.frozen
class Output:
    """What an output does.

    Attributes:
        of: pins of which its level may depend.
        drive: by levels of these, the state of the flip-flops by their pin, and the table that is true in every case.
    """

    of: tuple[int, ...]
    drive: Callable[[Levels, Levels, int], Drive]


@attrs.frozen
class PartType:
    """A type of part.

    Attributes:
        name: without maker and family: "74138"; of a programmed device its own.
        pins: by number, those of the supply aside.
        ground, supply: numbers of those.
        outputs: what each output does, by pin.
        state: output pins with a flip-flop or latch behind: whoever asks gives its level, nothing is assumed.
    """

    name: str
    pins: Mapping[int, Pin]
    ground: int
    supply: int
    outputs: Mapping[int, Output]
    state: tuple[int, ...] = ()

    def pin(self, text: str) -> Pin | None:
        """A pin by its number or by a name, with or without a mark of an active level before it; None if none is it."""
        name = _plain(text)
        for pin in self.pins.values():
            if name in (str(pin.number), _plain(pin.name), *map(_plain, pin.also)):
                return pin
        return None

    def group(self, text: str) -> tuple[Pin, ...]:
        """Pins that are called so and numbered, highest number first: of "P" P7 to P0."""
        found = {}
        for pin in self.pins.values():
            for name in (pin.name, *pin.also):
                match = re.fullmatch(rf"{re.escape(_plain(text))}(\d+)", _plain(name))
                if match:
                    found[int(match[1])] = pin
        return tuple(found[number] for number in sorted(found, reverse=True))


def _plain(name: str) -> str:
    return re.sub(r"[/~{}!]", "", name).strip().upper()
