"""State as data: a class says once what it remembers; saving, checking and taking back follow from that.

    @remembers
    class Bell(Card):
        _count: int = saved(BYTE, 0)
        _rings: list[int] = saved(many(CYCLE), [])

`to_data` gives {"count": …, "rings": […]}, without the underscore; `load_data` takes that back. It looks at everything
before it changes anything, and refuses what cannot be with a StateError that names the field.
"""

from __future__ import annotations

import copy
from collections.abc import Hashable, Iterator
from functools import cache, partial
from typing import Any, TypeVar, cast

import attrs

from simkit.contract.errors import SimkitError
from simkit.contract.shapes import Shape, StateError, blob, check_entries, check_names, record, take_at, wrong

_T = TypeVar("_T")


def _not_by_itself(value: Any) -> Any:
    raise TypeError("PART, MERGED and BUFFER are shapes of attributes alone")


PART = Shape(_not_by_itself, lambda part: to_data(part))
"""An object that remembers things itself; it keeps its identity."""
MERGED = Shape(_not_by_itself, lambda part: to_data(part))
"""A PART whose fields stand among those of the object that has it: where they live inside it shows in no state."""
BUFFER = Shape(_not_by_itself, bytes)
"""A bytearray, or memory of the slot's, that keeps its identity and its length."""


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


_Undeclared = type(attrs.field())
"""What `saved` gives, until `remembers` makes an attribute of it."""


def remembers(cls: type[_T]) -> type[_T]:
    """Decorator of a class with `saved` attributes; its `__init__` stays, and cards get the defaults from Card's.

    A method `check_state(self)`, if there is one, is called on a copy that holds the new values; it raises StateError
    where they do not fit together or not this board.
    """
    return attrs.define(cls, init=False, eq=False, repr=False, slots=False, auto_attribs=False)


def begin_with_defaults(state: object) -> None:
    """Give an object of a class made with `remembers` the defaults of its saved attributes.

    Raises:
        SimkitError: it has saved attributes, but no `remembers`.
    """
    for cls in type(state).__mro__:
        undeclared = [name for name, value in vars(cls).items() if isinstance(value, _Undeclared)]
        if undeclared:
            raise SimkitError(
                f"The class {cls.__name__} has saved attributes ({', '.join(undeclared)}), but nothing remembers them.",
                remedy=f"Write @remembers in the line before class {cls.__name__}.",
            )
    begin = getattr(state, "__attrs_init__", None)
    if begin is not None:
        begin()


@attrs.frozen(slots=True)
class _Field:
    """What is saved under one name: an attribute, or several as a list; or a part under its own names."""

    key: str
    parts: tuple[tuple[str, Shape], ...]
    only: tuple[str, bool] | None
    listed: bool
    merged: bool


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
        found[key] = _Field(key, (*before, (field.name, shape)), only, bool(within), shape is MERGED)
    return tuple(found.values())


def _fields_of(state: object) -> tuple[_Field, ...]:
    return _fields(cast(Hashable, type(state)))


def to_data(state: object) -> dict[str, Any]:
    """What an object remembers: JSON values and bytes by name.

    Raises:
        SimkitError: a MERGED part saves something under a name that is taken.
    """
    found: dict[str, Any] = {}
    names = 0
    for field in _fields_of(state):
        if field.only is not None and getattr(state, field.only[0]) is not field.only[1]:
            continue
        names += 1
        if field.merged:
            part = to_data(getattr(state, field.parts[0][0]))
            names += len(part) - 1
            found.update(part)
        elif field.listed:
            found[field.key] = [shape.data(getattr(state, name)) for name, shape in field.parts]
        else:
            ((name, shape),) = field.parts
            found[field.key] = shape.data(getattr(state, name))
    if len(found) != names:
        raise SimkitError(
            f"Parts of {type(state).__name__} save different things under one name.",
            remedy="Give one of them another name: saved(..., name=...).",
        )
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
        raise wrong(data, "not a table")
    new, expected = _checked_fields(state, data)
    if len(data) != len(expected):
        check_names(data, expected)
    _check_together(state, new)
    return new


def _checked_fields(state: Any, data: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """New values by attribute, and the names of what they were saved under."""
    new: dict[str, Any] = {}
    expected: list[str] = []
    for field in _fields_of(state):
        if field.only is not None and new[field.only[0]] is not field.only[1]:
            continue
        if field.merged:
            name, part = field.parts[0][0], getattr(state, field.parts[0][0])
            new[name], names = _checked_fields(part, data)
            _check_together(part, new[name])
            expected += names
            continue
        expected.append(field.key)
        if field.key not in data:
            raise StateError(field.key, "is missing")
        given = data[field.key]
        try:
            if field.listed:
                check_entries(given, len(field.parts))
                for place, (name, shape) in enumerate(field.parts):
                    new[name] = take_at(place, shape, given[place])
            else:
                ((name, shape),) = field.parts
                new[name] = _taken(state, name, shape, given)
        except StateError as error:
            raise error.inside(field.key) from None
    return new, expected


def _check_together(state: Any, new: dict[str, Any]) -> None:
    if hasattr(state, "check_state"):
        _trial(state, new).check_state()


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
        if shape is PART or shape is MERGED:
            setattr(trial, name, _trial(getattr(state, name), value))
        else:
            setattr(trial, name, bytearray(value) if shape is BUFFER else value)
    return trial


def _adopt(state: Any, new: dict[str, Any]) -> None:
    for name, shape, value in _changes(state, new):
        if shape is PART or shape is MERGED:
            _adopt(getattr(state, name), value)
        elif shape is BUFFER:
            getattr(state, name)[:] = value
        else:
            setattr(state, name, value)
