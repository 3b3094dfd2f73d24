"""Shapes of saved values: whole numbers with their range, flags, texts, bytes, lists, rows and tables of them.

    many(row(CYCLE, FLAG)).take([[5, True]])     # [(5, True)]
    many(row(CYCLE, FLAG)).take([[5, 1]])        # StateError: [0][1]: 1 is neither true nor false

Values are what JSON holds, and bytes. A shape takes them, or refuses them with a StateError that says where and why.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from operator import index
from typing import Any

import attrs

from simkit.contract.errors import near

FURTHEST = 1 << 62
"""No cycle and no tick lies farther away."""


class StateError(ValueError):
    """A saved state cannot be taken back.

    Attributes:
        field: where in the state, e.g. "line.device.buffer[3]"; "" for all of it.
        problem: what is wrong with it.
    """

    def __init__(self, field: str, problem: str) -> None:
        super().__init__(f"{field}: {problem}" if field else problem)
        self.field = field
        self.problem = problem

    def inside(self, outer: str) -> StateError:
        """The same, seen from outside of the field `outer`."""
        dot = "." if self.field and not self.field.startswith("[") else ""
        return StateError(f"{outer}{dot}{self.field}", self.problem)


def _same(value: Any) -> Any:
    return value


@attrs.frozen
class Shape:
    """One shape of saved value.

    Attributes:
        take: take(data) -> the value as it is kept; raises StateError.
        data: data(value) -> what is saved.
    """

    take: Callable[[Any], Any]
    data: Callable[[Any], Any] = _same

    def into(self, make: Callable[[Any], Any], data: Callable[[Any], Any] | None = None) -> Shape:
        """The shape whose values are kept as make(value); data(kept) gives back what is saved, by default as it is."""
        take, old = self.take, self.data
        return Shape(lambda given: make(take(given)), old if data is None else lambda kept: old(data(kept)))

    def that(self, holds: Callable[[Any], bool], problem: str) -> Shape:
        """The shape whose values, as they are kept, fulfil holds(value); `problem` is said of others."""
        take = self.take

        def checked(given: Any) -> Any:
            value = take(given)
            if not holds(value):
                raise StateError("", problem)
            return value

        return Shape(checked, self.data)


def wrong(value: object, should: str) -> StateError:
    """An error about a value: it "is not …"."""
    text = repr(value)
    return StateError("", f"{text if len(text) <= 40 else text[:40] + '…'} is {should}")


def as_whole(value: object) -> int | None:
    """A whole number of any kind, True for 1, as a plain int; None for what is none, floats among it."""
    try:
        return int.__add__(0, index(value))  # type: ignore[arg-type]  # what has no index is refused
    except TypeError:
        return None


def whole(low: int = 0, high: int = FURTHEST) -> Shape:
    """A whole number from `low` to `high`."""

    def take(value: Any) -> int:
        if type(value) is not int or not low <= value <= high:
            raise wrong(value, f"not a whole number from {low} to {high}")
        return value

    return Shape(take)


def choice(*values: str) -> Shape:
    """One of these texts."""
    known = frozenset(values)

    def take(value: Any) -> str:
        if not isinstance(value, str) or value not in known:
            few = len(known) <= 8
            raise wrong(value, f"not one of {', '.join(map(repr, sorted(known)))}" if few else "not known here")
        return value

    return Shape(take)


def blob(length: int | None = None) -> Shape:
    """Bytes, of that length or of any."""

    def take(value: Any) -> bytes:
        if not isinstance(value, bytes | bytearray):
            raise wrong(value, "not bytes")
        if length is not None and len(value) != length:
            raise StateError("", f"has {len(value)} bytes, not {length}")
        return bytes(value)

    return Shape(take, bytes)


def optional(shape: Shape) -> Shape:
    """The shape, or nothing: None."""
    take, data = shape.take, shape.data
    return Shape(
        lambda given: None if given is None else take(given), lambda kept: None if kept is None else data(kept)
    )


def many(shape: Shape, length: int | None = None) -> Shape:
    """A list, of that length or of any, each value of it of one shape; sets are saved in order."""
    take, data = shape.take, shape.data

    def take_all(given: Any) -> list[Any]:
        if type(given) is not list or length is not None:
            check_entries(given, length)
        try:
            return [take(value) for value in given]
        except StateError:
            return [take_at(number, shape, value) for number, value in enumerate(given)]

    def data_of_all(kept: Collection[Any]) -> list[Any]:
        values = sorted(kept) if isinstance(kept, set) else list(kept)
        return values if data is _same else [data(value) for value in values]

    return Shape(take_all, data_of_all)


def row(*shapes: Shape) -> Shape:
    """A tuple with a value of each shape; saved as a list."""
    takes, length = tuple(shape.take for shape in shapes), len(shapes)

    def take(given: Any) -> tuple[Any, ...]:
        if type(given) is not list or len(given) != length:
            check_entries(given, length)
        try:
            return tuple([take(value) for take, value in zip(takes, given)])  # noqa: B905 - as many as the shapes
        except StateError:
            return tuple(take_at(place, shapes[place], value) for place, value in enumerate(given))

    plain = all(shape.data is _same for shape in shapes)

    def data(kept: Collection[Any]) -> list[Any]:
        return list(kept) if plain else [shape.data(value) for shape, value in zip(shapes, kept, strict=True)]

    return Shape(take, data)


def table(shape: Shape, names: Collection[str] | None = None) -> Shape:
    """A table of values of one shape by text; with `names` only these may stand in it."""

    def take(given: Any) -> dict[str, Any]:
        if not isinstance(given, dict):
            raise wrong(given, "not a table")
        for name in given:
            if not isinstance(name, str) or (names is not None and name not in names):
                raise StateError(str(name)[:40], "nothing of that name can stand here")
        try:
            return {name: shape.take(value) for name, value in given.items()}
        except StateError:
            return {name: take_under(name, shape.take, value) for name, value in given.items()}

    return Shape(take, lambda kept: {name: shape.data(value) for name, value in sorted(kept.items())})


def record(**shapes: Shape) -> Shape:
    """A table with a value of each shape under its name, and nothing else."""

    def take(given: Any) -> dict[str, Any]:
        check_names(given, shapes)
        try:
            return {name: shape.take(given[name]) for name, shape in shapes.items()}
        except StateError:
            return {name: take_under(name, shape.take, given[name]) for name, shape in shapes.items()}

    return Shape(take, lambda kept: {name: shape.data(kept[name]) for name, shape in shapes.items()})


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise wrong(value, "neither true nor false")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise wrong(value, "not a text")
    return value


FLAG = Shape(_flag)
TEXT = Shape(_text)
BIT, BYTE, WORD = whole(0, 1), whole(0, 0xFF), whole(0, 0xFFFF)
CYCLE = whole()
"""A cycle, NEVER included."""
COUNT = whole()
"""How often something has happened."""
MOMENT = whole(-FURTHEST)
"""A tick of a crystal, or a cycle that may lie before power-on."""


def check_entries(given: Any, length: int | None) -> None:
    """Refuse what is no list, or none of that length."""
    if not isinstance(given, list | tuple):
        raise wrong(given, "not a list")
    if length is not None and len(given) != length:
        raise StateError("", f"has {len(given)} entries, not {length}")


def check_names(given: Any, shapes: Collection[str]) -> None:
    """Refuse what is no table, or lacks a name, or has one more."""
    if not isinstance(given, dict):
        raise wrong(given, "not a table")
    for name in shapes:
        if name not in given:
            raise StateError(name, "is missing")
    for name in given:
        if name not in shapes:
            raise StateError(str(name)[:40], f"nothing of that name is saved. {near(str(name), shapes)}".rstrip())


def take_under(name: str, take: Callable[[Any], Any], given: Any) -> Any:
    """Take a value that stands under a name."""
    try:
        return take(given)
    except StateError as error:
        raise error.inside(name) from None


def take_at(number: int, shape: Shape, given: Any) -> Any:
    """Take a value that stands in a list."""
    return take_under(f"[{number}]", shape.take, given)
