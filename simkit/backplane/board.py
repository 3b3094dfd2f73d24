"""What a card's class says of the board as wired: guarded, checked, and from then on a table."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping
from types import FunctionType
from typing import Any, TypeVar

import attrs

from simkit.backplane.guard import call_unplugged
from simkit.contract.card import Card
from simkit.contract.errors import CardMisuse, shown
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import Register
from simkit.contract.shapes import as_whole

_ACTING = frozenset(
    {"insert", "power_on", "reset", "advance", "write", "write_late", "event", "outside"}
    | {"pin_changed", "pin_followed", "load", "forget"}
)
"""Methods of a card that give nothing: nobody would see that one has given something to be called again."""
_PUTS_OFF = inspect.CO_GENERATOR | inspect.CO_COROUTINE | inspect.CO_ASYNC_GENERATOR
MOST_ADDRESS_PINS = 32
MOST_CHIP_SELECTS = 16
MOST_IMAGE_BYTES = 1 << 26
MOST_CONSTANT = (1 << 31) - 1
MOST_ENTRIES = 65_536
"""Registers or pins of a card."""

_T = TypeVar("_T")


@attrs.frozen
class Board:
    """A card's board as its settings wire it.

    Attributes:
        registers: as `Card.registers` gives them.
        pins: as `Card.pins` gives them.
        address_pins: number of address pins.
        image_size: bytes of the part in its socket, None without one.
        chip_selects: as `Card.chip_selects` gives them.
        contacts: as `Card.contacts` gives them.
        constants: as `Card.constants` gives them.
    """

    registers: tuple[Register, ...]
    pins: tuple[PinSpec, ...]
    address_pins: int
    image_size: int | None
    chip_selects: Mapping[str, bool]
    contacts: Mapping[int, str]
    constants: Mapping[str, tuple[int, str]] = attrs.field(factory=dict)

    @classmethod
    def of(cls, card: type[Card], settings: Any, who: str, slot: int | None = None) -> Board:
        """Ask a card's class.

        Args:
            card: the class.
            settings: how it is wired.
            who: how messages call it; "" where their place says so.
            slot: where it stands, if it does.

        Raises:
            CardError: it raises, or gives something else; with the place in its own code.
        """

        def ask(method: str, check: Callable[[Any], _T]) -> _T:
            return call_unplugged(
                who,
                method,
                lambda: check(getattr(card, method)(settings)),
                slot=slot,
                called=lambda: getattr(card, method).__func__,
            )

        return cls(
            ask("registers", _registers),
            ask("pins", _pins),
            ask("address_pins", _address_pins),
            ask("image_size", _size),
            ask("chip_selects", _chip_selects),
            ask("contacts", _contacts),
            ask("constants", _constants),
        )


def check_class(card: type[Card]) -> None:
    """Refuse a class that says of itself what cannot be.

    Raises:
        CardMisuse: so it does.
    """
    for name, fits, should in (
        ("kind", isinstance(card.kind, str) and bool(card.kind), "a text"),
        ("model", type(card.model) is int and card.model >= 0, "a whole number"),
        ("title", isinstance(card.title, str), "a text"),
        ("faithful_to", isinstance(card.faithful_to, str), "a text"),
        ("own_phi2", isinstance(card.own_phi2, bool), "True or False"),
        ("winning_strobe", card.winning_strobe in ("", "write", "output"), "'write', 'output' or ''"),
        ("Settings", attrs.has(card.Settings), "a class made with attrs"),
        ("pin_names", _is_names(card.pin_names), "a table of texts by text"),
    ):
        if not fits:
            raise CardMisuse(f"has {name} = {shown(getattr(card, name))}", f"It must be {should}.")
    for name in sorted(_ACTING):
        function = getattr(card, name)
        if _is_put_off(function):
            raise CardMisuse(
                f"has `{name}` as a generator or a coroutine",
                "Leave `yield`, `async` and `await` out of it: called, such a method does nothing.",
            )
    if hasattr(card, "__del__"):
        raise CardMisuse(
            "has a __del__", "Leave it out: Python calls it at any time, and nobody can tell its failures."
        )


def _is_names(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(text, str) for pair in value.items() for text in pair)


def _is_put_off(function: Any) -> bool:
    """Whether a call of it only makes something that would do the work later."""
    if type(function) is FunctionType and not vars(function):  # nearly always, of each card of each machine
        return bool(function.__code__.co_flags & _PUTS_OFF)
    kinds = (inspect.isgeneratorfunction, inspect.iscoroutinefunction, inspect.isasyncgenfunction)
    return any(is_one(function) for is_one in kinds)


def _several(value: Any, kind: type, word: str) -> tuple[Any, ...]:
    if not isinstance(value, Iterable) or isinstance(value, str | bytes):
        raise CardMisuse(f"gave {shown(value)}, which is no row of {word}s", f"Give a tuple of {word}s, () for none.")
    found = []
    for one in value:
        if not isinstance(one, kind):
            raise CardMisuse(f"gave {shown(one)}, which is no {word}", f"Make each with {word}(...).")
        found.append(one)
        if len(found) > MOST_ENTRIES:
            raise CardMisuse(f"gave more than {MOST_ENTRIES} {word}s", "Give those that the board has.")
    return tuple(found)


def _registers(value: Any) -> tuple[Register, ...]:
    found = _several(value, Register, "Register")
    for one in found:
        for name, entry, fits in (
            ("offset", one.offset, _within(one.offset, (1 << MOST_ADDRESS_PINS) - 1)),
            ("driven", one.driven, _within(one.driven, 0xFF)),
            ("name", one.name, isinstance(one.name, str)),
            ("access", one.access, one.access in ("r", "w", "rw")),
            ("bits", one.bits, isinstance(one.bits, tuple) and all(isinstance(bit, str) for bit in one.bits)),
            ("writes_wait", one.writes_wait, type(one.writes_wait) is bool),
            ("is_port", one.is_port, type(one.is_port) is bool),
            *((word, getattr(one, word), isinstance(getattr(one, word), str)) for word in _WORDS),
        ):
            if not fits:
                raise CardMisuse(
                    f"gave a register {shown(one.name, 30)} with {name} = {shown(entry)}",
                    "See `Register` for what it takes.",
                )
    return found


_WORDS = ("help", "read_effect", "write_effect")


def _within(value: object, high: int) -> bool:
    return type(value) is int and 0 <= value <= high


def _pins(value: Any) -> tuple[PinSpec, ...]:
    found = _several(value, PinSpec, "PinSpec")
    names = [one.name for one in found]
    for one in found:
        sound = isinstance(one.name, str) and isinstance(one.drive, Drive)
        if not sound or any(type(said) is not bool for said in (one.listens, one.open_level, one.jumpered, one.cable)):
            raise CardMisuse(f"gave the pin {shown(one)}", "See `PinSpec` for what it takes.")
        if names.count(one.name) > 1:
            raise CardMisuse(f"gave two pins called {one.name!r}", "Name each pin as the board prints it.")
    return found


def _address_pins(value: Any) -> int:
    number = as_whole(value)
    if number is None or not 0 <= number <= MOST_ADDRESS_PINS:
        raise CardMisuse(
            f"gave {shown(value)}, which is no number of pins",
            f"Give 0 to {MOST_ADDRESS_PINS}, those the board looks at.",
        )
    return number


def _chip_selects(value: Any) -> Mapping[str, bool]:
    sound = isinstance(value, Mapping) and 0 < len(value) <= MOST_CHIP_SELECTS
    if not sound or any(not isinstance(pin, str) or type(level) is not bool for pin, level in value.items()):
        raise CardMisuse(
            f"gave {shown(value)}, which are no chip selects",
            'Give a table of one pin or more, each with its level when true: {"CS1": True, "CS2B": False}.',
        )
    return dict(value)


def _contacts(value: Any) -> Mapping[int, str]:
    sound = isinstance(value, Mapping) and len(value) <= MOST_ENTRIES
    if not sound or any(type(number) is not int or not isinstance(name, str) for number, name in value.items()):
        raise CardMisuse(
            f"gave {shown(value)}, which are no contacts", 'Give a table of names: {24: "CS1", 23: "CS2B"}.'
        )
    return dict(value)


def _constants(value: Any) -> Mapping[str, tuple[int, str]]:
    sound = isinstance(value, Mapping) and len(value) <= MOST_ENTRIES
    if not sound or any(not isinstance(name, str) or not _is_constant(pair) for name, pair in value.items()):
        raise CardMisuse(
            f"gave {shown(value)}, which are no constants",
            'Give a table of numbers from 0 on, each with its help: {"BUFFER_SIZE": (16, "bytes")}.',
        )
    return dict(value)


def _is_constant(pair: Any) -> bool:
    is_pair = isinstance(pair, tuple) and len(pair) == 2
    return is_pair and _within(pair[0], MOST_CONSTANT) and isinstance(pair[1], str)


def _size(value: Any) -> int | None:
    if value is None:
        return None
    number = as_whole(value)
    if number is None or not 0 < number <= MOST_IMAGE_BYTES:
        raise CardMisuse(
            f"gave {shown(value)}, which is no size of a part",
            "Give its bytes, or None when the card has no such socket.",
        )
    return number
