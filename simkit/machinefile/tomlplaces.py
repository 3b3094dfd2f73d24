"""Where the keys and elements of a TOML text stand.

`tomllib` says what a text means, not where; a scan of the same text says where, not what. It is made when the first
place is asked for, which is when something is wrong: a sound file is never scanned.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterator
from functools import cached_property

import attrs

from simkit.machinefile.tomlbounds import ONE_LINE_STRING, STRING

Step = str | int
"""One step of a path: a key of a table, or an index of an array."""

_GAP = re.compile(r"(?:[ \t\n]+|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_KEY_PART = re.compile(rf"[A-Za-z0-9_-]+|{ONE_LINE_STRING}")
_QUOTED = re.compile(STRING)
_BARE = re.compile(r"[^,\[\]{}#\n]+")  # numbers, dates (with a space inside), true, false


class Places:
    """Where each key and each element of a TOML text stands.

    A path leads from the top of the file through keys of tables and indices of arrays, e.g.
    ("card", 1, "settings", "port_1"). The place of a key is where it is written first, be it in a header; that of an
    array's element is its value, or the header of its table.

    Args:
        text: what `tomllib` has read, with a line feed alone at the end of each line. Where it is not TOML the scan
            ends, and what stands further on has no place.
    """

    def __init__(self, text: str) -> None:
        self._text = text

    def at(self, *path: Step) -> tuple[int, int] | None:
        """Line and column, both from 1, of what the path leads to; None if nothing stands there."""
        node = self._root
        for step in path:
            if step not in node.inside:
                return None
            node = node.inside[step]
        return self._line_and_column(node.at) if path else None

    def line(self, *path: Step) -> int | None:
        """Line of what the path leads to, or else of the nearest that encloses it; None outside of everything."""
        for length in range(len(path), 0, -1):
            if (place := self.at(*path[:length])) is not None:
                return place[0]
        return None

    def __iter__(self) -> Iterator[tuple[Step, ...]]:
        """All paths that have a place."""
        ahead: list[tuple[tuple[Step, ...], _Node]] = [((), self._root)]
        while ahead:
            path, node = ahead.pop()
            for step, inner in node.inside.items():
                yield (*path, step)
                ahead.append(((*path, step), inner))

    @cached_property
    def _root(self) -> _Node:
        return _Scan(self._text).root

    @cached_property
    def _starts(self) -> list[int]:
        return [0, *(end.end() for end in re.finditer("\n", self._text))]

    def _line_and_column(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1


@attrs.frozen
class Place:
    """A place in a file, for messages. Its line is looked up when it is asked for.

    Attributes:
        file: path of the file as people wrote it, or words for what is no file.
        places: of the file; None if it has no lines.
        path: keys and indices that lead to it.
    """

    file: str
    places: Places | None = attrs.field(default=None, eq=False, repr=False)
    path: tuple[Step, ...] = ()

    @property
    def line(self) -> int | None:
        """Line of the place or of the nearest that encloses it, from 1; None if there is none."""
        return self.places.line(*self.path) if self.places is not None else None

    def __str__(self) -> str:
        """file:line, or the file alone."""
        return self.file if self.line is None else f"{self.file}:{self.line}"

    def inside(self, *steps: Step) -> Place:
        """The place of a key or element further in."""
        return attrs.evolve(self, path=(*self.path, *steps))


class _Node:
    """A table, array or plain value: the offset where it stands, and what stands inside it by key or index."""

    __slots__ = ("array", "at", "inside")

    def __init__(self, at: int, *, array: bool = False) -> None:
        self.at = at
        self.array = array
        self.inside: dict[Step, _Node] = {}

    def table(self, name: str, at: int) -> _Node:
        """The table of that name inside this one, made if it is new; of an array of tables, the last."""
        found = self.inside.setdefault(name, _Node(at))
        return found.inside[len(found.inside) - 1] if found.array else found

    def append(self, element: _Node) -> _Node:
        """Add an element to this array."""
        self.inside[len(self.inside)] = element
        return element


class _NotToml(Exception):  # noqa: N818 - it ends the scan
    """Something that no TOML text holds there."""


class _Scan:
    """One pass over a text; `pos` is how far it has come, `root` the table that is the whole text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = 0
        self.root = table = _Node(0)
        try:
            while self.skip(_GAP) < len(text):
                if text[self.pos] == "[":
                    table = self.header()
                else:
                    self.pair(table)
        except _NotToml:
            pass  # what was found stands where it was found

    def header(self) -> _Node:
        """Over `[a.b]` or `[[a.b]]`; gives the table that it opens."""
        start = self.pos
        array = self.took("[[")
        if not array:
            self.took("[")
        *above, (name, at) = self.key()
        table = self.root
        for part in above:
            table = table.table(*part)
        if array:
            table = table.inside.setdefault(name, _Node(at, array=True)).append(_Node(start))
        else:
            table = table.table(name, at)
        if not self.took("]]" if array else "]"):
            raise _NotToml
        return table

    def pair(self, table: _Node) -> None:
        """Over `key = value` in a table, dotted keys too."""
        *above, (name, at) = self.key()
        for part in above:
            table = table.table(*part)
        if not self.took("="):
            raise _NotToml
        self.skip(_BLANK)
        table.inside[name] = self.value(at)

    def key(self) -> list[tuple[str, int]]:
        """Over a key; gives its parts, each with its offset."""
        parts: list[tuple[str, int]] = []
        while True:
            at = self.skip(_BLANK)
            written = self.text[at : self.skip(_KEY_PART)]
            parts.append((_meaning(written), at))
            self.skip(_BLANK)
            if not self.took("."):
                return parts

    def value(self, at: int) -> _Node:
        """Over a value; gives its node, which stands at the offset `at`."""
        node = _Node(at)
        if self.took("["):
            node.array = True
            while not self.ended("]"):
                node.append(self.value(self.pos))
        elif self.took("{"):
            while not self.ended("}"):
                self.pair(node)
        else:
            self.skip(_QUOTED if self.text.startswith(('"', "'"), self.pos) else _BARE)
        return node

    def ended(self, bracket: str) -> bool:
        """Go on to the next element or pair; whether the bracket closes instead."""
        self.skip(_GAP)
        if self.took(","):
            self.skip(_GAP)
        return self.took(bracket)

    def skip(self, pattern: re.Pattern[str]) -> int:
        """Go over what the pattern says; gives the offset behind it."""
        found = pattern.match(self.text, self.pos)
        if found is None:
            raise _NotToml
        self.pos = found.end()
        return self.pos

    def took(self, mark: str) -> bool:
        """Go over the mark if it stands here."""
        if not self.text.startswith(mark, self.pos):
            return False
        self.pos += len(mark)
        return True


def _meaning(written: str) -> str:
    """The key that is meant by a part of a key as written."""
    if written[0] not in "\"'":
        return written
    return str(tomllib.loads(f"key = {written}")["key"]) if "\\" in written else written[1:-1]
