"""Tables of a file into attrs classes whose fields are made with `setting`; all that does not fit is told."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import attrs

from simkit.contract.errors import Errors, SimkitError, near
from simkit.contract.settings import fitted

Fail = Callable[[str, str, str], None]
"""Told what is wrong: (key, message, remedy)."""


def read_settings(kind: type, table: Mapping[str, Any], fail: Fail) -> Any:
    """Instance of an attrs class from a table; keys that do not fit are told to `fail` and take their default.

    Raises:
        Exception: not even the defaults make one.
    """
    fields = attrs.fields_dict(kind)
    good: dict[str, Any] = {}
    for key, value in table.items():
        if key not in fields:
            fail(key, f"there is no setting {key!r}.", near(key, fields))
            continue
        try:
            good[key] = fitted(fields[key], value)
        except SimkitError as error:
            fail(key, error.message, error.remedy or "")
    try:
        return kind(**good)
    except (ValueError, TypeError, SimkitError) as error:
        made = kind()
        fail("", f"{error}", "")
        return made


def make_settings(kind: type, table: Mapping[str, Any]) -> Any:
    """Instance of an attrs class from a table.

    Raises:
        SimkitError: one key does not fit; SeveralErrors for several.
    """
    errors = Errors()

    def fail(key: str, message: str, remedy: str) -> None:
        errors.add(SimkitError(f"setting {key}: {message}".replace(" :", ":"), field=key, remedy=remedy))

    made = read_settings(kind, table, fail)
    errors.raise_any()
    return made
