"""Settings of a card: its jumpers, switches and options as fields that say what they are."""

from __future__ import annotations

from typing import Any

import attrs


def setting(
    default: Any,
    *,
    unit: str = "",
    help: str,
    one_of: tuple[object, ...] = (),
    low: int | None = None,
    high: int | None = None,
) -> Any:
    """A field of a card's Settings class.

    Args:
        default: its value when the machine file is silent.
        unit: unit of the value, for people.
        help: one line: what it is, with its source when the value comes from a sheet.
        one_of: the values allowed, when they can be counted.
        low: lowest value allowed.
        high: highest value allowed.
    """
    metadata = {"unit": unit, "help": help, "one_of": one_of, "low": low, "high": high}
    return attrs.field(default=default, metadata=metadata)
