"""States as plain data: where two of them differ, and copies."""

from __future__ import annotations

from typing import Any


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


def copied(value: Any) -> Any:
    """A state, or what stands in one, with lists and tables of its own."""
    if type(value) is dict:
        return {key: copied(inner) for key, inner in value.items()}
    return [copied(inner) for inner in value] if type(value) is list else value
