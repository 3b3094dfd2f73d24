"""States as plain data: what a snapshot file can hold, and where two of them differ."""

from __future__ import annotations

from typing import Any

from simkit.contract.errors import SimkitError


class _OddError(Exception):
    """Something that is no plain data."""


def plain(state: Any) -> Any:
    """The state with bytes, lists and tables of its own.

    Raises:
        SimkitError: something in it is neither a JSON value nor bytes.
    """
    try:
        return _copied(state)
    except _OddError:
        raise SimkitError(f"save holds something that is neither a JSON value nor bytes: {_odd(state)}.") from None


def _copied(value: Any) -> Any:
    kind = type(value)
    if kind in _AS_THEY_ARE:
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, bytearray):
        return bytes(value)
    if isinstance(value, list | tuple):
        return [_copied(inner) for inner in value]
    if isinstance(value, dict) and all(isinstance(key, str) for key in value):
        return {key: _copied(inner) for key, inner in value.items()}
    raise _OddError


_AS_THEY_ARE = frozenset({type(None), bool, int, float, str, bytes})


def _odd(value: Any, path: str = "state") -> str:
    """Where in a state something stands that is no plain data, and what; "" when there is nothing."""
    if isinstance(value, dict):
        for key in value:
            if not isinstance(key, str):
                return f"{path} has the key {key!r}, which is no text"
        return next((odd for key, inner in value.items() if (odd := _odd(inner, f"{path}.{key}"))), "")
    if isinstance(value, list | tuple):
        return next((odd for number, inner in enumerate(value) if (odd := _odd(inner, f"{path}[{number}]"))), "")
    if type(value) in _AS_THEY_ARE or isinstance(value, int | bytearray):
        return ""
    return f"{path} is a {type(value).__name__}, {value!r:.80}"


def difference(first: Any, second: Any, path: str = "state") -> str:
    """The first place in which two values differ, in words."""
    if isinstance(first, dict) and isinstance(second, dict):
        for key in sorted(set(first) | set(second), key=str):
            if key not in first or key not in second:
                return f"{path}.{key} is there only once"
            if first[key] != second[key]:
                return difference(first[key], second[key], f"{path}.{key}")
    if isinstance(first, list) and isinstance(second, list) and len(first) == len(second):
        for number, (one, other) in enumerate(zip(first, second, strict=True)):
            if one != other:
                return difference(one, other, f"{path}[{number}]")
    if isinstance(first, bytes) and isinstance(second, bytes) and len(first) == len(second):
        for number, (one, other) in enumerate(zip(first, second, strict=True)):
            if one != other:
                return f"{path}[{number}] is ${one:02X} and ${other:02X}"
    return f"{path} is {first!r:.200} and {second!r:.200}"
