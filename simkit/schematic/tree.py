"""Nested lists in brackets, as netlists are written: atoms, strings in double quotes, lists.

Every atom stays text as it is written: 07 is not 7, and t and nil are names like others.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import attrs

from simkit.contract.errors import SimkitError

MAX_DEPTH = 40
"""Lists in lists; netlists of schematic editors have 7."""
MAX_NODES = 1_000_000
"""Lists and atoms; 180 parts make some 25,000."""

_TOKEN = re.compile(r'\s+|[()]|"(?:[^"\\]|\\.)*"|[^\s()"]+', re.DOTALL)
_ESCAPE = re.compile(r"\\(.)", re.DOTALL)
_A_NETLIST = "Name a netlist, which begins with (export."
_ESCAPES = {"n": "\n", "t": "\t", "r": "\r"}


@attrs.frozen
class Node:
    """A list: its first atom is its name.

    Attributes:
        name: its first atom; "" where it begins with a list, or is empty.
        line: in the file.
        items: what follows the name.
    """

    name: str
    line: int
    items: list[str | Node]

    def lists(self, name: str) -> Iterator[Node]:
        """Lists of a name in it."""
        return (item for item in self.items if isinstance(item, Node) and item.name == name)

    def first(self, name: str) -> Node | None:
        """The first list of a name in it."""
        return next(self.lists(name), None)

    @property
    def text(self) -> str:
        """Its first atom behind the name; "" for none."""
        return next((item for item in self.items if isinstance(item, str)), "")

    def text_of(self, name: str) -> str:
        """Text of the first list of a name in it; "" for none."""
        found = self.first(name)
        return found.text if found is not None else ""


def read_tree(text: str, file: str) -> Node:
    """The one list that the text is.

    Raises:
        SimkitError: it is no list, or not one alone; brackets or quotes that do not close; too deep or too many.
    """
    opened: list[Node] = []
    first_atom: list[bool] = []
    line, behind, count = 1, 0, 0
    whole: Node | None = None

    def fail(message: str, remedy: str, at: int = 0) -> SimkitError:
        return SimkitError(message, file=file, line=at or line, remedy=remedy)

    for match in _TOKEN.finditer(text):
        token = match[0]
        if match.start() != behind:
            break
        behind = match.end()
        if token == "(":
            if whole is not None:
                raise fail("Something follows the list that the file is.", "Export the netlist anew.")
            if len(opened) == MAX_DEPTH:
                raise fail(f"Lists nest deeper than {MAX_DEPTH}.", "Name a netlist.")
            opened.append(Node("", line, []))
            first_atom.append(True)
            count += 1
        elif token == ")":
            if not opened:
                raise fail("A bracket is closed that was not opened.", "Export the netlist anew.")
            closed = opened.pop()
            first_atom.pop()
            if opened:
                opened[-1].items.append(closed)
                first_atom[-1] = False
            else:
                whole = closed
        elif not token.isspace():
            if not opened:
                raise fail(f"{token[:40]!r} stands outside of all brackets.", _A_NETLIST)
            atom = _ESCAPE.sub(_escaped, token[1:-1]) if token[0] == '"' else token
            if first_atom[-1]:
                opened[-1] = attrs.evolve(opened[-1], name=atom)
                first_atom[-1] = False
            else:
                opened[-1].items.append(atom)
            count += 1
        line += token.count("\n")
        if count > MAX_NODES:
            raise fail(f"There are more than {MAX_NODES} lists and atoms.", "Name a netlist.")
    if behind != len(text):
        raise fail("A string has no closing quote.", "Export the netlist anew.")
    if opened:
        raise fail(
            f"The list {opened[-1].name!r} that begins here is not closed.",
            "The file ends too early: export it anew.",
            opened[-1].line,
        )
    if whole is None:
        raise fail("There is no list in it.", _A_NETLIST)
    return whole


def _escaped(match: re.Match[str]) -> str:
    return _ESCAPES.get(match[1], match[1])
