"""Settings of a card: its jumpers, switches and options as fields that say what they are and what they refuse."""

from __future__ import annotations

from typing import Any

import attrs

from simkit.contract.errors import SimkitError

KINDS = {bool: "true or false", int: "a whole number", float: "a number", str: "a string in quotes"}
"""Kinds of value a setting can have, in words."""


class SettingError(SimkitError):
    """A setting does not take the value."""


def setting(
    default: Any,
    *,
    unit: str = "",
    help: str,
    one_of: tuple[object, ...] = (),
    low: int | None = None,
    high: int | None = None,
    also: tuple[object, ...] = (),
) -> Any:
    """A field of a card's Settings class; whoever makes such settings with a value that does not fit gets SettingError.

    Args:
        default: its value when the machine file is silent: true or false, a whole number, a number, or a string.
        unit: unit of the value, for people.
        help: one line: what it is, with its source when the value comes from a sheet.
        one_of: the values allowed, when they can be counted.
        low: lowest value allowed.
        high: highest value allowed.
        also: other values that the same part may have, as far as sources tell: whoever asks what a program owes to
            luck tries them.

    Raises:
        TypeError: the default is of another kind.
    """
    if type(default) not in KINDS:
        raise TypeError(f"a setting is {', '.join(KINDS.values())}; its default cannot be {default!r}")
    metadata = {"unit": unit, "help": help, "one_of": one_of, "low": low, "high": high, "also": also}
    return attrs.field(default=default, validator=_validate, metadata=metadata)


def fitted(field: attrs.Attribute[Any], value: Any) -> Any:
    """The value as the setting keeps it.

    Raises:
        SettingError: of another kind, not one of the choices, out of range (with the nearest value that works).
    """
    meta, kind = field.metadata, type(field.default)
    if "one_of" not in meta:
        raise SettingError(
            f"{field.name!r} cannot be set: the card does not make it with `setting`.", field=field.name, remedy=None
        )
    if kind is float and type(value) is int:
        value = float(value)
    if type(value) is not kind:
        raise SettingError(f"{value!r} is not {KINDS[kind]}.", field=field.name, remedy=str(meta["help"]))
    one_of, low, high = meta["one_of"], meta["low"], meta["high"]
    if one_of and value not in one_of:
        remedy = f"Write one of {', '.join(str(choice) for choice in one_of)}."
        raise SettingError(f"{value!r} is not a choice.", field=field.name, remedy=remedy)
    if low is not None and value < low:
        remedy = f"The lowest value that works is {low}."
        raise SettingError(f"{value!r} is too low.", field=field.name, remedy=remedy)
    if high is not None and value > high:
        remedy = f"The highest value that works is {high}."
        raise SettingError(f"{value!r} is too high.", field=field.name, remedy=remedy)
    return value


def _validate(settings: Any, field: attrs.Attribute[Any], value: Any) -> None:
    try:
        fitted(field, value)
    except SettingError as error:
        raise SettingError(f"setting {field.name}: {error.message}", field=field.name, remedy=error.remedy) from None
