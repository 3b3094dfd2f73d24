"""State as data: a class says once what it remembers; saving, checking and taking back follow from that.

    @remembers
    class Bell(Card):
        _count: int = saved(BYTE, 0)
        _rings: list[int] = saved(many(CYCLE), [])

`to_data` gives {"count": …, "rings": […]}, without the underscore; `load_data` takes that back. It looks at everything
before it changes anything, and refuses what cannot be with a StateError that names the field. Values are what JSON
holds, and bytes.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Hashable, Iterator
from functools import cache, partial
from typing import Any, TypeVar, cast

import attrs

from simkit.contract.errors import near

FURTHEST = 1 << 62
"""No cycle and no tick lies farther away."""

_T = TypeVar("_T")


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


def _wrong(value: object, should: str) -> StateError:
    text = repr(value)
    return StateError("", f"{text if len(text) <= 40 else text[:40] + '…'} is {should}")


# shapes ---------------------------------------------------------------------------------------------------------------


def whole(low: int = 0, high: int = FURTHEST) -> Shape:
    """A whole number from `low` to `high`."""

    def take(value: Any) -> int:
        if type(value) is not int or not low <= value <= high:
            raise _wrong(value, f"not a whole number from {low} to {high}")
        return value

    return Shape(take)


def choice(*values: str) -> Shape:
    """One of these texts."""
    known = frozenset(values)

    def take(value: Any) -> str:
        if not isinstance(value, str) or value not in known:
            few = len(known) <= 8
            raise _wrong(value, f"not one of {', '.join(map(repr, sorted(known)))}" if few else "not known here")
        return value

    return Shape(take)


def blob(length: int | None = None) -> Shape:
    """Bytes, of that length or of any."""

    def take(value: Any) -> bytes:
        if not isinstance(value, bytes | bytearray):
            raise _wrong(value, "not bytes")
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
            _entries(given, length)
        try:
            return [take(value) for value in given]
        except StateError:
            return [_at(number, shape, value) for number, value in enumerate(given)]

    def data_of_all(kept: Collection[Any]) -> list[Any]:
        values = sorted(kept) if isinstance(kept, set) else list(kept)
        return values if data is _same else [data(value) for value in values]

    return Shape(take_all, data_of_all)


def row(*shapes: Shape) -> Shape:
    """A tuple with a value of each shape; saved as a list."""
    takes, length = tuple(shape.take for shape in shapes), len(shapes)

    def take(given: Any) -> tuple[Any, ...]:
        if type(given) is not list or len(given) != length:
            _entries(given, length)
        try:
            return tuple([take(value) for take, value in zip(takes, given)])  # noqa: B905 - as many as the shapes
        except StateError:
            return tuple(_at(place, shapes[place], value) for place, value in enumerate(given))

    plain = all(shape.data is _same for shape in shapes)

    def data(kept: Collection[Any]) -> list[Any]:
        return list(kept) if plain else [shape.data(value) for shape, value in zip(shapes, kept, strict=True)]

    return Shape(take, data)


def table(shape: Shape, names: Collection[str] | None = None) -> Shape:
    """A table of values of one shape by text; with `names` only these may stand in it."""

    def take(given: Any) -> dict[str, Any]:
        if not isinstance(given, dict):
            raise _wrong(given, "not a table")
        for name in given:
            if not isinstance(name, str) or (names is not None and name not in names):
                raise StateError(str(name)[:40], "nothing of that name can stand here")
        try:
            return {name: shape.take(value) for name, value in given.items()}
        except StateError:
            return {name: _under(name, shape.take, value) for name, value in given.items()}

    return Shape(take, lambda kept: {name: shape.data(value) for name, value in sorted(kept.items())})


def record(**shapes: Shape) -> Shape:
    """A table with a value of each shape under its name, and nothing else."""

    def take(given: Any) -> dict[str, Any]:
        _names(given, shapes)
        try:
            return {name: shape.take(given[name]) for name, shape in shapes.items()}
        except StateError:
            return {name: _under(name, shape.take, given[name]) for name, shape in shapes.items()}

    return Shape(take, lambda kept: {name: shape.data(kept[name]) for name, shape in shapes.items()})


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise _wrong(value, "neither true nor false")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise _wrong(value, "not a text")
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


def _not_by_itself(value: Any) -> Any:
    raise TypeError("PART and BUFFER are shapes of attributes alone")


PART = Shape(_not_by_itself, lambda part: to_data(part))
"""An object that remembers things itself; it keeps its identity."""
BUFFER = Shape(_not_by_itself, bytes)
"""A bytearray that keeps its identity and its length."""


def _entries(given: Any, length: int | None) -> None:
    if not isinstance(given, list | tuple):
        raise _wrong(given, "not a list")
    if length is not None and len(given) != length:
        raise StateError("", f"has {len(given)} entries, not {length}")


def _names(given: Any, shapes: Collection[str]) -> None:
    if not isinstance(given, dict):
        raise _wrong(given, "not a table")
    if given.keys() == set(shapes):
        return
    for name in shapes:
        if name not in given:
            raise StateError(name, "is missing")
    for name in given:
        if name not in shapes:
            raise StateError(str(name)[:40], f"nothing of that name is saved. {near(str(name), shapes)}".rstrip())


def _under(name: str, take: Callable[[Any], Any], given: Any) -> Any:
    try:
        return take(given)
    except StateError as error:
        raise error.inside(name) from None


def _at(number: int, shape: Shape, given: Any) -> Any:
    return _under(f"[{number}]", shape.take, given)


# classes --------------------------------------------------------------------------------------------------------------


def saved(
    shape: Shape,
    default: Any = attrs.NOTHING,
    *,
    name: str = "",
    within: str = "",
    only: tuple[str, bool] | None = None,
) -> Any:
    """An attribute that is part of the state, saved under its name without the underscore in front.

    Args:
        shape: what its values are.
        default: what a new object begins with; without one its `__init__` gives it a value. A list, dictionary or set
            is copied.
        name: another name to save it under.
        within: name of a list in which it is saved, together with all others of that list, in order.
        only: (name, value): saved only while the flag of that name, an attribute above, has the value.
    """
    if isinstance(default, list | dict | set):
        default = attrs.Factory(partial(copy.copy, default))
    metadata = {"shape": shape, "name": name, "within": within, "only": only}
    return attrs.field(default=default, init=False, metadata=metadata)


def remembers(cls: type[_T]) -> type[_T]:
    """Decorator of a class with `saved` attributes; its `__init__` stays, and cards get the defaults from Card's.

    A method `check_state(self)`, if there is one, is called on a copy that holds the new values; it raises StateError
    where they do not fit together or not this board.
    """
    return attrs.define(cls, init=False, eq=False, repr=False, slots=False, auto_attribs=False)


def begin_with_defaults(state: object) -> None:
    """Give an object of a class made with `remembers` the defaults of its saved attributes."""
    begin = getattr(state, "__attrs_init__", None)
    if begin is not None:
        begin()


@attrs.frozen(slots=True)
class _Field:
    """What is saved under one name: an attribute, or several as a list."""

    key: str
    parts: tuple[tuple[str, Shape], ...]
    only: tuple[str, bool] | None
    listed: bool


@cache
def _fields(cls: Hashable) -> tuple[_Field, ...]:
    assert isinstance(cls, type)
    found: dict[str, _Field] = {}
    for field in attrs.fields(cls) if attrs.has(cls) else ():
        if "shape" not in field.metadata:
            continue
        shape, name, within, only = (field.metadata[key] for key in ("shape", "name", "within", "only"))
        key = within or name or field.name.lstrip("_")
        before = found[key].parts if key in found else ()
        found[key] = _Field(key, (*before, (field.name, shape)), only, bool(within))
    return tuple(found.values())


def _fields_of(state: object) -> tuple[_Field, ...]:
    return _fields(cast(Hashable, type(state)))


def to_data(state: object) -> dict[str, Any]:
    """What an object remembers: JSON values and bytes by name."""
    found: dict[str, Any] = {}
    for field in _fields_of(state):
        if field.only is not None and getattr(state, field.only[0]) is not field.only[1]:
            continue
        if field.listed:
            found[field.key] = [shape.data(getattr(state, name)) for name, shape in field.parts]
        else:
            ((name, shape),) = field.parts
            found[field.key] = shape.data(getattr(state, name))
    return found


def load_data(state: Any, data: Any, /, **also: Shape) -> dict[str, Any]:
    """Have an object take back what `to_data` gave; everything is checked before anything changes.

    Args:
        state: the object.
        data: what was saved.
        also: shapes of what was saved besides the object's own attributes.

    Returns:
        The values of `also` by name.

    Raises:
        StateError: something is missing, of another shape, out of range, or unknown.
    """
    own = data
    if also and isinstance(data, dict):
        own = {name: value for name, value in data.items() if name not in also}
    new = _checked(state, own)
    found: dict[str, Any] = record(**also).take({name: data[name] for name in also if name in data})
    _adopt(state, new)
    return found


def _checked(state: Any, data: Any) -> dict[str, Any]:
    """New values by attribute: of a PART its own new values, of a BUFFER bytes."""
    if not isinstance(data, dict):
        raise _wrong(data, "not a table")
    new: dict[str, Any] = {}
    expected = []
    for field in _fields_of(state):
        if field.only is not None and new[field.only[0]] is not field.only[1]:
            continue
        expected.append(field.key)
        if field.key not in data:
            raise StateError(field.key, "is missing")
        given = data[field.key]
        try:
            if field.listed:
                _entries(given, len(field.parts))
                for place, (name, shape) in enumerate(field.parts):
                    new[name] = _at(place, shape, given[place])
            else:
                ((name, shape),) = field.parts
                new[name] = _taken(state, name, shape, given)
        except StateError as error:
            raise error.inside(field.key) from None
    if len(data) != len(expected):
        _names(data, expected)
    if hasattr(state, "check_state"):
        _trial(state, new).check_state()
    return new


def _taken(state: Any, name: str, shape: Shape, given: Any) -> Any:
    if shape is PART:
        return _checked(getattr(state, name), given)
    if shape is BUFFER:
        return blob(len(getattr(state, name))).take(given)
    return shape.take(given)


def _changes(state: Any, new: dict[str, Any]) -> Iterator[tuple[str, Shape, Any]]:
    for field in _fields_of(state):
        for name, shape in field.parts:
            if name in new:
                yield name, shape, new[name]


def _trial(state: Any, new: dict[str, Any]) -> Any:
    """A copy of the object that holds the new values."""
    trial = copy.copy(state)
    for name, shape, value in _changes(state, new):
        if shape is PART:
            setattr(trial, name, _trial(getattr(state, name), value))
        else:
            setattr(trial, name, bytearray(value) if shape is BUFFER else value)
    return trial


def _adopt(state: Any, new: dict[str, Any]) -> None:
    for name, shape, value in _changes(state, new):
        if shape is PART:
            _adopt(getattr(state, name), value)
        elif shape is BUFFER:
            getattr(state, name)[:] = value
        else:
            setattr(state, name, value)
