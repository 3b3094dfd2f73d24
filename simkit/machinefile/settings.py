"""Tables of a file into attrs classes whose fields are made with `setting`: types, choices and ranges checked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import Any

import attrs
import cattrs

from simkit.contract.errors import SimkitError, near

Fail = Callable[[str, str, str], None]
"""Told what is wrong: (key, message, remedy)."""


def read_settings(kind: type, table: Mapping[str, Any], fail: Fail) -> Any:
    """Instance of an attrs class from a table; keys that do not fit are told to `fail` and take their default."""
    attrs.resolve_types(kind)
    fields = attrs.fields_dict(kind)
    good: dict[str, Any] = {}
    for key, value in table.items():
        if key not in fields:
            fail(key, f"there is no setting {key!r}.", near(key, fields))
            continue
        try:
            good[key] = structure(fields[key], value)
        except SimkitError as error:
            fail(key, error.message, error.remedy or "")
    try:
        return kind(**good)
    except (ValueError, TypeError) as error:
        fail("", f"{error}", "")
        return kind()


def _strict(value: Any, kind: Any) -> Any:
    """Take a plain value as it is; cattrs alone would turn "5" into 5."""
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
        raise ValueError(f"{value!r} is not {_words(kind)}")
    return value


def _words(kind: Any) -> str:
    return {int: "a whole number", str: "a string in quotes", bool: "true or false", float: "a number"}.get(
        kind, str(kind)
    )


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(detailed_validation=False)
    for kind in (int, str, bool, float):
        converter.register_structure_hook(kind, _strict)
    return converter


_CONVERTER = _converter()


def structure(field: attrs.Attribute[Any], value: Any) -> Any:
    """Value of one setting in its type and range.

    Raises:
        SimkitError: wrong type, not one of the choices, out of range (with the nearest value that works).
    """
    meta = field.metadata
    try:
        result = _CONVERTER.structure(value, field.type)  # type: ignore[arg-type] # resolved above
    except (ValueError, TypeError, KeyError) as error:
        text = str(error)
        if isinstance(field.type, type) and issubclass(field.type, Enum):
            text = f"{value!r} is not one of {', '.join(str(m.value) for m in field.type)}"
        raise SimkitError(f"{text}.", remedy=str(meta.get("help", ""))) from error
    one_of, low, high = meta.get("one_of") or (), meta.get("low"), meta.get("high")
    if one_of and result not in one_of:
        raise SimkitError(f"{value!r} is not a choice.", remedy=f"Write one of {', '.join(str(c) for c in one_of)}.")
    if low is not None and result < low:
        raise SimkitError(f"{value!r} is too low.", remedy=f"The lowest value that works is {low}.")
    if high is not None and result > high:
        raise SimkitError(f"{value!r} is too high.", remedy=f"The highest value that works is {high}.")
    return result
