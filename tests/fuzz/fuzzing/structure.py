"""Trees of tables, lists and values: changed by their structure, and written as TOML in any of its styles."""

from __future__ import annotations

import copy
import json
import math
import re
from collections.abc import Callable
from typing import Any

from fuzzing.rolls import Rolls

Change = Callable[[Rolls, str, Any], Any]
"""Gives another value for the value of a key, as somebody who knows the key's meaning would."""

MAX_DEPTH = 90


def places(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Path of every value in a tree."""
    found = [path] if path else []
    if isinstance(tree, dict):
        for key, value in tree.items():
            found += places(value, (*path, key))
    elif isinstance(tree, list):
        for number, value in enumerate(tree):
            found += places(value, (*path, number))
    return found


def at(tree: Any, path: tuple[Any, ...]) -> Any:
    """Value at a place."""
    for step in path:
        tree = tree[step]
    return tree


def changed(rolls: Rolls, tree: Any, knows: Change, keys: tuple[str, ...] = ()) -> Any:
    """A copy of the tree with a few changes.

    Args:
        rolls: chance.
        tree: tables, lists and plain values.
        knows: gives another value by the meaning of its key.
        keys: names that the format knows, to be put where they do not belong.
    """
    tree = copy.deepcopy(tree)
    for _ in range(rolls.choice((1, 1, 1, 2, 3))):
        where = places(tree)
        if not where:
            break
        _change(rolls, tree, rolls.choice(where), knows, keys)
    return tree


def _change(rolls: Rolls, tree: Any, path: tuple[Any, ...], knows: Change, keys: tuple[str, ...]) -> None:
    parent, step = at(tree, path[:-1]), path[-1]
    value = parent[step]
    key = next((name for name in reversed(path) if isinstance(name, str)), "")
    roll = rolls.randrange(20)
    if roll < 9:
        parent[step] = knows(rolls, key, value)
    elif roll < 11:
        parent[step] = rolls.scalar()
    elif roll == 11:
        del parent[step]
    elif roll == 12:
        parent[step] = rolls.choice(([], {}, [value], {"a": value}, [value, value], [[]], [{}], {"": 0}))
    elif roll == 13:
        others = places(tree)
        parent[step] = copy.deepcopy(at(tree, rolls.choice(others)))
    elif roll == 14 and isinstance(parent, dict):
        parent[near(rolls, step)] = parent.pop(step)
    elif roll == 15 and isinstance(parent, dict):
        name = rolls.choice(keys) if keys and rolls.chance(2) else rolls.word()
        parent[name] = rolls.choice((value, rolls.scalar(), {}, []))
    elif roll == 16 and isinstance(value, list):
        value.extend(copy.deepcopy(value) * rolls.choice((1, 1, 20)))
    elif roll == 17:
        deep: Any = value
        for _ in range(rolls.choice((2, 30, MAX_DEPTH))):
            deep = [deep] if rolls.chance(2) else {"a": deep}
        parent[step] = deep
    elif isinstance(value, int) and not isinstance(value, bool):
        parent[step] = value + rolls.choice((-1, 1, 16, 256, 65536, -value, -2 * value))
    elif isinstance(value, str):
        parent[step] = spoilt(rolls, value)
    else:
        parent[step] = knows(rolls, key, value)


def near(rolls: Rolls, name: Any) -> str:
    """A name that differs by a slip of the hand, or another one altogether."""
    text = str(name)
    at_ = rolls.randint(0, len(text))
    return rolls.choice(
        (text[:at_] + text[at_ + 1 :], text[:at_] + "x" + text[at_:], text.upper(), rolls.word(), f"{text} ")
    )


def spoilt(rolls: Rolls, text: str) -> str:
    """A text with something done to it."""
    at_, end = sorted((rolls.randint(0, len(text)), rolls.randint(0, len(text))))
    return rolls.choice(
        (
            text[:at_] + text[end:],
            text[:at_] + rolls.word() + text[at_:],
            text + text,
            text * rolls.choice((2, 30, 300)),
            text[::-1],
            text.upper(),
            f" {text} ",
            text + rolls.word(),
            rolls.word(),
        )
    )


# written as TOML ------------------------------------------------------------------------------------------------------

BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml(rolls: Rolls, tree: dict[str, Any]) -> str:
    """The tree as TOML, in one of the ways in which people and programs write it."""
    lines: list[str] = []
    _table(rolls, tree, (), lines)
    return rolls.choice(("\n", "\n", "\n", "\r\n")).join(lines) + "\n"


def _table(rolls: Rolls, table: dict[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    below = []
    for key, value in table.items():
        if isinstance(value, dict) and value and not rolls.chance(4):
            below.append((key, value, False))
        elif (
            isinstance(value, list)
            and value
            and all(isinstance(entry, dict) for entry in value)
            and not rolls.chance(9)
        ):
            below.append((key, value, True))
        else:
            mark = rolls.choice(("", "", "", "  # so it is wired", "\t"))
            lines.append(f"{_key(rolls, key)}{rolls.choice((' = ', '=', '  =  '))}{_value(rolls, value)}{mark}")
    for key, value, many in below:
        inner = (*path, key)
        name = ".".join(_key(rolls, part) for part in inner)
        for entry in value if many else [value]:
            lines += ["", f"[[{name}]]" if many else f"[{name}]"]
            _table(rolls, entry, inner, lines)


def _key(rolls: Rolls, key: str) -> str:
    if BARE.fullmatch(key) and not rolls.chance(12):
        return key
    return json.dumps(key, ensure_ascii=rolls.chance(2))


def _value(rolls: Rolls, value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        ways = [str(value)] + ([f"0x{value:X}", f"0b{value:b}", f"{value:_}"] if value >= 0 else [])
        return rolls.choice(ways) if rolls.chance(3) else ways[0]
    if isinstance(value, float):
        return "nan" if math.isnan(value) else str(value) if math.isfinite(value) else ("inf" if value > 0 else "-inf")
    if isinstance(value, list):
        inner = [_value(rolls, entry) for entry in value]
        return (
            f"[{', '.join(inner)}]" if not rolls.chance(6) else "[\n" + "".join(f"  {each},\n" for each in inner) + "]"
        )
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{_key(rolls, key)} = {_value(rolls, each)}' for key, each in value.items())} }}"
    return _text(rolls, str(value))


def _text(rolls: Rolls, text: str) -> str:
    if rolls.chance(6) and "'" not in text and text.isprintable():
        return f"'{text}'"
    if rolls.chance(20) and '"' not in text and "\\" not in text and text.isprintable():
        return f'"""{text}"""'
    # A lone surrogate is no character of TOML; as an escape it is one more mistake to be told.
    return json.dumps(text, ensure_ascii=rolls.chance(3)).replace("\x7f", "\\u007f")
