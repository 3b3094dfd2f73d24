"""Tables of a file into attrs classes whose fields are made with `setting`; all that does not fit is told."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import attrs

from simkit.backplane.guard import call_unplugged
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
        CardError: the class itself fails.
    """
    errors = Errors()
    made, wrong = guarded_settings(kind, table)
    for key, message, remedy in wrong:
        errors.add(SimkitError(f"setting {key}: {message}".replace(" :", ":"), field=key, remedy=remedy))
    errors.raise_any()
    return made


def guarded_settings(
    kind: type, table: Mapping[str, Any], slot: int | None = None
) -> tuple[Any, list[tuple[str, str, str]]]:
    """Instance of a card's `Settings` from a table, and what does not fit: (key, message, remedy).

    Raises:
        CardError: the class itself fails; with the place in the card's own code.
    """
    wrong: list[tuple[str, str, str]] = []
    tell = partial(_gather, wrong)
    return call_unplugged("", "Settings", read_settings, kind, table, tell, slot=slot), wrong


def _gather(wrong: list[tuple[str, str, str]], key: str, message: str, remedy: str) -> None:
    wrong.append((key, message, remedy))
