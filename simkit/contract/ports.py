"""Ports: where the outside meets a card. A card opens them in __init__ with `slot.port(...)`; fronts use them.

What comes in (keys, pad buttons, serial bytes, buttons) is never called directly: it is an outside event, stamped with
the cycle in which it takes effect and handed to `Card.outside`. What goes out is asked (`ScreenPort`) or kept in
bounded lists (`SerialPort.sent`), never pushed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import attrs

PRESSES = ("press", "release")

BorderRuns = tuple[tuple[int, int], ...]
"""What colour the border has from where on: (position, palette number), positions rising, the first 0.

A position counts the pixels of the picture with its margins, row by row from the top left; inside the picture it says
nothing, as `pixels` stand there. A border of one colour is ((0, colour),).
"""


@attrs.define(slots=True, eq=False)
class Port:
    """One port of a card.

    Attributes:
        name: unique on its card, e.g. "screen", "keys", "pads".
    """

    name: str

    def takes(self, action: str, arguments: tuple[Any, ...]) -> bool:
        """Whether that can happen at the port: what is queued from a file is asked for before it is believed."""
        return True


@attrs.define(slots=True, eq=False)
class ScreenPort(Port):
    """A picture of palette numbers.

    Attributes:
        width: pixels across.
        height: pixels down.
        pixels: pixels(cycle) -> bytes of width * height palette numbers, rows from the top: the last whole frame.
        border: border(cycle) -> colours round the picture as the last whole frame left them, as `BorderRuns`.
        text: text(cycle) -> what can be read on the screen, lines joined by newlines.
        palette: (red, green, blue) 0 to 255 by palette number.
        margins: border sizes in pixels: left, right, top, bottom.
        frame_cycles: machine cycles a frame, exact.
        pixel_aspect: width of a pixel divided by its height.
        blank_index: palette number shown while the card has drawn nothing.
        frames: frames(cycle) -> whole frames ended since power-on.
    """

    width: int
    height: int
    pixels: Callable[[int], bytes]
    border: Callable[[int], BorderRuns]
    text: Callable[[int], str]
    palette: tuple[tuple[int, int, int], ...]
    margins: tuple[int, int, int, int]
    frame_cycles: Fraction
    frames: Callable[[int], int]
    pixel_aspect: Fraction = Fraction(1)
    blank_index: int = 1

    @property
    def size_with_border(self) -> tuple[int, int]:
        """Pixels across and down with the margins."""
        left, right, top, bottom = self.margins
        return left + self.width + right, top + self.height + bottom

    def border_pixels(self, runs: BorderRuns) -> bytes:
        """A palette number a pixel of the whole size with the margins, from what `border` gave."""
        across, down = self.size_with_border
        ends = [position for position, _ in runs[1:]] + [across * down]
        return b"".join([bytes([colour]) * (end - start) for (start, colour), end in zip(runs, ends, strict=True)])


@attrs.define(slots=True, eq=False)
class KeysPort(Port):
    """A keyboard plug. Outside events: "press" and "release" with the name of a key.

    Attributes:
        keys: names of the keys the keyboard has, by physical position.
        characters: the keys to hold, in order, for each character that can be typed, e.g. {"A": ("left shift", "a")}.
        ready_at: ready_at(cycle) -> first cycle in which the keyboard listens to its keys (after its self-test).
        gap_cycles: machine cycles between two key events that the whole path surely follows.
    """

    keys: tuple[str, ...]
    characters: dict[str, tuple[str, ...]]
    ready_at: Callable[[int], int]
    gap_cycles: int

    def takes(self, action: str, arguments: tuple[Any, ...]) -> bool:
        """A key of this keyboard is pressed or released."""
        return action in PRESSES and len(arguments) == 1 and arguments[0] in self.keys


@attrs.define(slots=True, eq=False)
class PadsPort(Port):
    """Sockets for pads. Outside events: "press", "release" with (number, button); "plug", "unplug" with (number,).

    Attributes:
        numbers: numbers of the sockets, from 1.
        buttons: names of the buttons, in the order of the protocol.
    """

    numbers: tuple[int, ...]
    buttons: tuple[str, ...]

    def takes(self, action: str, arguments: tuple[Any, ...]) -> bool:
        """A button of a pad is pressed or released, or a pad plugged in or unplugged."""
        if not arguments or type(arguments[0]) is not int or arguments[0] not in self.numbers:
            return False
        if action in ("plug", "unplug"):
            return len(arguments) == 1
        return action in PRESSES and len(arguments) == 2 and arguments[1] in self.buttons


@attrs.define(slots=True, eq=False)
class SerialPort(Port):
    """A serial plug. Outside event: "receive" with (byte,) or (byte, "parity" | "framing").

    The byte begins to arrive on the card's receive pin or waits its turn; the word says how the line spoils it.

    Attributes:
        byte_cycles: byte_cycles(cycle) -> machine cycles one byte takes at the rate now set, 0 when stopped.
        sent: (cycle, byte) of bytes whose last bit has left, oldest first; bounded, fronts take from the left.
        clear_to_send: clear_to_send(cycle) -> whether the card lets the other side send (its RTS output).
    """

    byte_cycles: Callable[[int], int]
    clear_to_send: Callable[[int], bool]
    sent: deque[tuple[int, int]] = attrs.field(factory=lambda: deque(maxlen=1 << 20))

    def takes(self, action: str, arguments: tuple[Any, ...]) -> bool:
        """A byte begins to arrive, whole or spoiled."""
        if action != "receive" or not arguments or type(arguments[0]) is not int or arguments[0] not in range(256):
            return False
        return len(arguments) == 1 or (len(arguments) == 2 and arguments[1] in ("parity", "framing"))


@attrs.define(slots=True, eq=False)
class LampsPort(Port):
    """Lamps. `levels(cycle)` gives one bool a lamp, leftmost first.

    Attributes:
        labels: what is printed beside each lamp, leftmost first.
        levels: levels(cycle) -> which lamps are lit, leftmost first.
    """

    labels: tuple[str, ...]
    levels: Callable[[int], tuple[bool, ...]]


@attrs.define(slots=True, eq=False)
class ButtonsPort(Port):
    """Push buttons and switches. Outside events: "press" and "release" with (label,).

    Attributes:
        labels: what is printed beside each button, leftmost first.
    """

    labels: tuple[str, ...]

    def takes(self, action: str, arguments: tuple[Any, ...]) -> bool:
        """A button is pressed or released."""
        return action in PRESSES and len(arguments) == 1 and arguments[0] in self.labels
