"""What a card may answer: each check gives the answer as the kit uses it, or refuses it in words.

Whole numbers of any kind count (True is 1, numbers of libraries are what they say), floats and texts do not. Both
engines ask here, so that they take and refuse alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from simkit.contract.errors import CardMisuse, shown
from simkit.contract.ports import BorderRuns
from simkit.contract.registers import PlainMemory
from simkit.contract.shapes import as_whole

MOST_WAIT_CYCLES = 65_536
"""Cycles by which a card may delay one access; no part waits longer than some hundred."""
MOST_LINES = 10_000
"""Lines of words, and characters of one, that a card may say of itself."""
DEEPEST = 64
"""Tables and lists inside each other that a state may hold."""
BLOB_KEY = "$bytes"
"""Stands for bytes in a saved state, so that no table of a card's may have it for its only name."""

_WHOLE = "Give a whole number"


def _refused(value: object, what: str, remedy: str) -> CardMisuse:
    return CardMisuse(f"gave {shown(value)}, which is {what}", remedy)


def nothing(value: object) -> None:
    """Of what is called for what it does, whatever it gives is left alone."""


def byte(value: object) -> int:
    """A byte on the data lines."""
    number = as_whole(value)
    if number is None or not 0 <= number <= 0xFF:
        raise _refused(value, "no byte", f"{_WHOLE} from 0 to 255; & 0xFF cuts one to its lowest eight bits.")
    return number


def cycle(value: object) -> int:
    """A cycle, or a number of cycles; before power-on too."""
    number = as_whole(value)
    if number is None:
        raise _refused(value, "no number of cycles", f"{_WHOLE} of cycles.")
    return number


def count(value: object) -> int:
    """How many of something there are."""
    number = as_whole(value)
    if number is None or number < 0:
        raise _refused(value, "no count", f"{_WHOLE} from 0 up.")
    return number


def wait_cycles(value: object) -> int:
    """Cycles by which an access is delayed."""
    number = as_whole(value)
    if number is None or not 0 <= number <= MOST_WAIT_CYCLES:
        raise _refused(value, "no delay of an access", f"{_WHOLE} of cycles from 0 to {MOST_WAIT_CYCLES}.")
    return number


def level(value: object) -> bool | None:
    """What a pin is driven to."""
    if value is None or value is True or value is False:
        return value
    raise _refused(value, "no level of a pin", "Give True (high), False (low) or None (let go).")


def flag(value: object) -> bool:
    """Yes or no; 1 and 0 count."""
    number = as_whole(value)
    if number not in (0, 1):
        raise _refused(value, "neither true nor false", "Give True or False.")
    return bool(number)


def flags(value: object, length: int) -> tuple[bool, ...]:
    """A row of yes and no."""
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != length:
        raise _refused(value, f"no row of {length}", f"Give a tuple of {length} times True or False.")
    return tuple(flag(one) for one in value)


def text(value: object) -> str:
    """A text."""
    if not isinstance(value, str):
        raise _refused(value, "no text", 'Give a string; "" for nothing.')
    return str(value)


def words(value: object) -> list[str]:
    """Lines for people."""
    if not isinstance(value, list | tuple) or not all(isinstance(line, str) for line in value):
        raise _refused(value, "no list of texts", "Give a list of lines.")
    if len(value) > MOST_LINES or any(len(line) > MOST_LINES for line in value):
        raise CardMisuse(f"gave {len(value)} lines, or one without an end", "Say it in a few lines.")
    return [str(line) for line in value]


def content(value: object) -> bytes | bytearray | memoryview | None:
    """What is in a ROM, or None."""
    if value is None:
        return None
    return buffer(value)


def buffer(value: Any) -> bytes | bytearray | memoryview:
    """Bytes in one piece."""
    if isinstance(value, bytes | bytearray) and value:
        return value
    if isinstance(value, memoryview):
        try:
            fits = value.format == "B" and value.contiguous and value.ndim == 1 and value.nbytes > 0
        except ValueError:  # released
            fits = False
        if fits:
            return value
    raise _refused(value, "no memory", "Give a bytearray, or what slot.memory(size) gave, of one byte at least.")


def plain_memory(value: object, reached: int = 0) -> PlainMemory | None:
    """Plain memory, with views of our own: as long as there is one its buffer keeps its size.

    Args:
        value: what the card gave.
        reached: places that the card's address pins tell apart.
    """
    if value is None:
        return None
    if not isinstance(value, PlainMemory):
        raise _refused(value, "no PlainMemory", "Give PlainMemory(read, write), or None.")
    read = None if value.read is None else memoryview(buffer(value.read))
    write = None if value.write is None else memoryview(buffer(value.write))
    if value.write is value.read:
        write = read
    if write is not None and write.readonly:
        raise CardMisuse("gave plain memory for writes that cannot be written", "Give a bytearray, or ignores_writes.")
    for view in (read, write):
        if view is not None and view.nbytes < reached:
            raise CardMisuse(
                f"gave plain memory of {view.nbytes} bytes, and its address pins reach {reached}",
                "Give a byte for each place, or say in `address_pins` how many pins the card looks at.",
            )
    return PlainMemory(read, write, ignores_writes=flag(value.ignores_writes), reports=text(value.reports))


def picture(value: object, size: int, colours: int) -> bytes:
    """Palette numbers, a byte a pixel."""
    if not isinstance(value, bytes | bytearray | memoryview) or len(value) != size:
        raise _refused(value, f"no picture of {size} pixels", "Give bytes, one a pixel, rows from the top.")
    pixels = bytes(value)
    others = pixels.translate(None, bytes(range(colours)))
    if others:
        raise CardMisuse(f"gave a pixel of colour {others[0]}", f"The palette has {colours}, counted from 0.")
    return pixels


def border(value: object, size: int, colours: int) -> BorderRuns:
    """Colours of a border from position to position."""
    remedy = "Give a tuple of (position, palette number), the first at 0; ((0, colour),) is a border of one colour."
    if not isinstance(value, tuple | list) or not value:
        raise _refused(value, "no border", remedy)
    runs: list[tuple[int, int]] = []
    for entry in value:
        pair = [as_whole(part) for part in entry] if isinstance(entry, tuple | list) else []
        whole = [number for number in pair if number is not None]
        if len(pair) != 2 or len(whole) != 2:
            raise _refused(entry, "no part of a border", remedy)
        position, colour = whole
        if not 0 <= colour < colours:
            raise CardMisuse(f"gave a border of colour {colour}", f"The palette has {colours}, counted from 0.")
        lowest, highest = (runs[-1][0] + 1, size - 1) if runs else (0, 0)
        if not lowest <= position <= highest:
            remedy = f"Here {lowest} to {highest} can stand."
            raise CardMisuse(f"gave a border with a colour from {position} on", remedy)
        runs.append((position, colour))
    return tuple(runs)


# states -------------------------------------------------------------------------------------------------------------


def state(value: object) -> dict[str, Any]:
    """A saved state: JSON values and bytes, with lists and tables of its own."""
    if not isinstance(value, dict):
        raise _refused(value, "no table", 'Give a dictionary of JSON values and bytes, {} for "nothing".')
    try:
        found: dict[str, Any] = _plain(value, 0)
    except _OddError:
        raise _told_odd(value, "state", 0) from None
    return found


class _OddError(Exception):
    """Something that no state can hold."""


_AS_THEY_ARE = frozenset({type(None), bool, str, bytes})


def _plain(value: Any, depth: int) -> Any:
    """The value with lists and tables of its own."""
    kind = type(value)
    if kind in _AS_THEY_ARE:
        return value
    if kind is int and -_LARGEST <= value <= _LARGEST:
        return value
    if depth > DEEPEST:
        raise _OddError
    if kind is list:  # nearly all else is one, or a table
        return [inner if type(inner) in _AS_THEY_ARE else _plain(inner, depth + 1) for inner in value]
    if _why_odd(value):
        raise _OddError
    if isinstance(value, list | tuple):
        return [_plain(inner, depth + 1) for inner in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(inner, depth + 1) for key, inner in value.items()}
    if isinstance(value, bytearray | memoryview | bytes):
        return bytes(value)
    if isinstance(value, str | float):
        return str(value) if isinstance(value, str) else float(value)
    return as_whole(value)


_LARGEST = (1 << 256) - 1


def _why_odd(value: Any) -> str:
    """What about a value itself, to go on from "is", keeps it out of a state; "" when nothing does."""
    if isinstance(value, float):
        return "" if math.isfinite(value) else "a number that JSON does not hold"
    if isinstance(value, int):
        return "" if -_LARGEST <= value <= _LARGEST else "a whole number of more than 256 bits"
    if isinstance(value, Mapping):
        if set(value) == {BLOB_KEY}:
            return f"a table with the one name {BLOB_KEY!r}, which stands for bytes"
        return "" if all(isinstance(key, str) for key in value) else "a table with a name that is no text"
    plain = value is None or isinstance(value, list | tuple | str | bytes | bytearray | memoryview)
    return "" if plain else f"a {type(value).__name__}"


def _told_odd(value: Any, path: str, depth: int) -> CardMisuse:
    """The first thing in a state that no state can hold, with its place."""
    if depth > DEEPEST:
        return CardMisuse(f"gave {path[:60]}…, which has no end", f"{DEEPEST} tables inside each other are the most.")
    why = _why_odd(value)
    if not why:
        inner = value.items() if isinstance(value, Mapping) else enumerate(value)
        for key, one in inner:
            at = f"{path}.{key}" if isinstance(key, str) else f"{path}[{key}]"
            try:
                _plain(one, depth + 1)
            except _OddError:
                return _told_odd(one, at, depth + 1)
    return CardMisuse(
        f"gave a state that holds something that is neither a JSON value nor bytes: {path} is {why}, {shown(value)}",
        "A state holds texts, whole and finite numbers, True, False, None, bytes, and lists and tables of them.",
    )
