"""A card's ports as everybody else gets them: looked at when the card is plugged in, their calls guarded."""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, Any

from simkit.backplane import answers
from simkit.backplane.blame import failure
from simkit.contract.errors import CardMisuse, shown
from simkit.contract.ports import ButtonsPort, KeysPort, LampsPort, PadsPort, Port, ScreenPort, SerialPort
from simkit.contract.shapes import as_whole
from simkit.contract.turn import BETWEEN

if TYPE_CHECKING:
    from simkit.backplane.seat import Seat

MOST_PIXELS = 4_096
"""Across or down."""
LONGEST_FRAME = 1 << 32
"""Cycles of a frame, or between two keys."""

Check = Callable[[Any], Any]


def guarded_ports(seat: Seat) -> dict[str, Port]:
    """Copies of the ports of a card, by name, whose calls go through the guard of its seat.

    Raises:
        CardMisuse: a port says of itself what cannot be.
    """
    return {name: _guarded(seat, port) for name, port in seat.connector.ports.items()}


def _guarded(seat: Seat, port: Port) -> Port:
    found = copy.copy(port)
    for kind, look in _LOOKS:
        if isinstance(port, kind):
            calls = look(found)
            for name, check in calls.items():
                function = getattr(port, name)
                if not callable(function):
                    raise _wrong(port, name, "Give a function of the cycle.")
                setattr(found, name, partial(_answer, seat, f"the {name} of port {port.name!r}", function, check))
    return found


def takes(seat: Seat, port: Port, action: str, arguments: tuple[Any, ...]) -> bool:
    """Whether that can happen at the port, by its own word."""
    label = f"the takes of port {port.name!r}"
    return seat.guard.ask(seat, BETWEEN, label, action, arguments, check=answers.flag, function=port.takes)


def sent_byte(seat: Seat, port: SerialPort, entry: object) -> int:
    """The byte of an entry of `SerialPort.sent`.

    Raises:
        CardError: it is none.
    """
    if isinstance(entry, tuple) and len(entry) == 2 and (byte := as_whole(entry[1])) is not None and 0 <= byte <= 0xFF:
        return byte
    misuse = CardMisuse(f"has sent {shown(entry)}", "Append (cycle, byte) to `sent`.")
    raise failure(misuse, seat.name, f"port {port.name!r}", slot=seat.slot)


def _answer(seat: Seat, label: str, function: Callable[[int], Any], check: Check, cycle: int) -> Any:
    return seat.guard.ask(seat, cycle, label, cycle, check=check, function=function)


def _wrong(port: Port, name: str, remedy: str) -> CardMisuse:
    return CardMisuse(f"opened port {port.name!r} with {name} = {shown(getattr(port, name))}", remedy)


def _need(port: Port, name: str, holds: Callable[[Any], bool], remedy: str) -> None:
    """Refuse a value of a port that is not so."""
    value = getattr(port, name)
    try:
        fits = holds(value)
    except (TypeError, ValueError):
        fits = False
    if not fits:
        raise _wrong(port, name, remedy)


def _is_whole(value: object, low: int, high: int) -> bool:
    return type(value) is int and low <= value <= high


def _are_texts(port: Port, name: str) -> None:
    _need(
        port,
        name,
        lambda value: isinstance(value, tuple | list) and all(isinstance(one, str) for one in value),
        "Give a tuple of texts.",
    )
    setattr(port, name, tuple(getattr(port, name)))


def _screen(port: Any) -> dict[str, Check]:
    for name in ("width", "height"):
        _need(port, name, lambda value: _is_whole(value, 1, MOST_PIXELS), f"Give 1 to {MOST_PIXELS} pixels.")
    _need(
        port,
        "palette",
        lambda value: (
            1 <= len(value) <= 256 and all(len(c) == 3 and all(_is_whole(v, 0, 255) for v in c) for c in value)
        ),
        "Give 1 to 256 colours, each (red, green, blue) from 0 to 255.",
    )
    _need(
        port,
        "margins",
        lambda value: len(value) == 4 and all(_is_whole(margin, 0, MOST_PIXELS) for margin in value),
        "Give pixels on the left, on the right, above and below.",
    )
    for name in ("frame_cycles", "pixel_aspect"):
        _need(
            port,
            name,
            lambda value: isinstance(value, int | Fraction) and Fraction(1, LONGEST_FRAME) <= value <= LONGEST_FRAME,
            "Give a Fraction above 0.",
        )
        setattr(port, name, Fraction(getattr(port, name)))
    colours = len(port.palette)
    _need(port, "blank_index", lambda value: _is_whole(value, 0, colours - 1), "Give a number in the palette.")
    across, down = port.size_with_border
    return {
        "pixels": partial(answers.picture, size=port.width * port.height, colours=colours),
        "border": partial(answers.border, size=across * down, colours=colours),
        "text": answers.text,
        "frames": answers.count,
    }


def _keys(port: Any) -> dict[str, Check]:
    _are_texts(port, "keys")
    _need(
        port,
        "characters",
        lambda value: all(isinstance(c, str) and set(keys) <= set(port.keys) for c, keys in value.items()),
        "Give the keys to hold for each character, of those that the keyboard has.",
    )
    _need(port, "gap_cycles", lambda value: _is_whole(value, 1, LONGEST_FRAME), "Give a whole number of cycles.")
    return {"ready_at": answers.count}


def _pads(port: Any) -> dict[str, Check]:
    _need(
        port,
        "numbers",
        lambda value: len(set(value)) == len(value) and all(_is_whole(one, 1, 99) for one in value),
        "Give the numbers of the sockets, from 1.",
    )
    _are_texts(port, "buttons")
    return {}


def _serial(port: Any) -> dict[str, Check]:
    _need(port, "sent", lambda value: isinstance(value, deque), "Leave it as it is made.")
    return {"byte_cycles": answers.count, "clear_to_send": answers.flag}


def _lamps(port: Any) -> dict[str, Check]:
    _are_texts(port, "labels")
    return {"levels": partial(answers.flags, length=len(port.labels))}


def _buttons(port: Any) -> dict[str, Check]:
    _are_texts(port, "labels")
    return {}


_LOOKS: tuple[tuple[type[Port], Callable[[Any], dict[str, Check]]], ...] = (
    (ScreenPort, _screen),
    (KeysPort, _keys),
    (PadsPort, _pads),
    (SerialPort, _serial),
    (LampsPort, _lamps),
    (ButtonsPort, _buttons),
)
