"""What is seen of a card from outside, in order, and the states that are taken on the way."""

from __future__ import annotations

from typing import Any

import attrs

Seen = tuple[Any, ...]
"""What was seen: a word for its kind, the cycle, and the rest: see `tell`."""


@attrs.frozen
class Save:
    """A state taken during a script.

    Attributes:
        step: steps done before.
        cycle: when.
        logged: entries of the log by then.
        state: what `Bench.save` gave, as plain data.
    """

    step: int
    cycle: int
    logged: int
    state: dict[str, Any]


def tell(seen: Seen) -> str:
    """What was seen, as a sentence's part."""
    kind, cycle, *rest = seen
    if kind == "read":
        return f"the read of offset {rest[0]} in cycle {cycle} gave ${rest[1]:02X}"
    if kind == "waits":
        return f"the access to offset {rest[0]} in cycle {cycle} was delayed by {rest[1]} cycles"
    if kind == "pin":
        return f"pin {rest[0]} was {'let go' if rest[1] is None else 'driven ' + _LEVELS[rest[1]]} in cycle {cycle}"
    if kind == "sent":
        return f"port {rest[0]!r} had sent ${rest[2]:02X} in cycle {rest[1]}"
    if kind == "levels":
        return f"the pins in cycle {cycle} were {', '.join(f'{name} {_LEVELS[level]}' for name, level in rest[0])}"
    if kind == "finding":
        return f"{rest[0]} was reported in cycle {cycle} as of cycle {rest[1]}: {rest[2]}"
    return f"event {rest[0]!r} came in cycle {cycle}"


_LEVELS = {True: "high", False: "low"}
