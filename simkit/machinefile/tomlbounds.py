"""What a TOML text must not exceed, looked up before it is parsed; and what its strings look like.

`tomllib` recurses into brackets, and its work grows with the square of the number of parts of a dotted key, so a file
of hostile make would exhaust the stack or keep it busy for hours. Within these bounds it is linear.
"""

from __future__ import annotations

import re

from simkit.contract.errors import SimkitError

MAX_NESTING = 16
"""Brackets within brackets. A machine file needs four: an array of inline tables with a table and a list in it."""
MAX_KEY_PARTS = 16
"""Parts of a dotted key or of a table's header."""
MAX_WORD = 100
"""Characters of a number, date or key that stands in no quotes."""

# The four kinds of strings, TOML v1.0.0, "String". Each pattern runs over its text once even if the end is missing:
# what may be repeated begins with a character that what stands before it cannot hold.
_MULTILINE_BASIC = r'"""[^"\\]*(?:(?:\\[\s\S]|"(?!""))[^"\\]*)*"""(?:"{0,2})'
_MULTILINE_LITERAL = r"'''[^']*(?:'(?!'')[^']*)*'''(?:'{0,2})"
ONE_LINE_STRING = r'"[^"\\\n]*(?:\\.[^"\\\n]*)*"' + r"|'[^'\n]*'"
STRING = f"{_MULTILINE_BASIC}|{_MULTILINE_LITERAL}|{ONE_LINE_STRING}"

_TOKEN = re.compile(rf"""{STRING}|\#[^\n]*|[ \t]+|[^\s"'\#.=,\[\]{{}}]+|[\s\S]""")


def check_bounds(text: str, file: str) -> None:
    """Refuse a text that the parser would choke on. It need not be TOML; what else is wrong the parser tells.

    Args:
        text: with a line feed alone at the end of each line.
        file: name of the file, for messages.

    Raises:
        SimkitError: it nests too deeply, or a key or number is too long; with file and line.
    """
    nesting = dots = 0
    for token in _TOKEN.finditer(text):
        start, end = token.span()
        first = text[start]
        if first in "\"'":
            if end - start == 1:
                return  # a string without end: the parser says so, and comes no further either
        elif first == ".":
            dots += 1
            if dots == MAX_KEY_PARTS:
                raise _too_much(text, start, file, f"A key has more than {MAX_KEY_PARTS} parts.")
        elif first in "=,\n":
            dots = 0
        elif first in "[{":
            nesting += 1
            if nesting > MAX_NESTING:
                raise _too_much(text, start, file, f"The brackets nest deeper than {MAX_NESTING} levels.")
        elif first in "]}":
            nesting -= 1
        elif first not in "# \t" and end - start > MAX_WORD:
            what = f"A number or key without quotes has {end - start} characters; {MAX_WORD} are allowed."
            raise _too_much(text, start, file, what)


def _too_much(text: str, start: int, file: str, message: str) -> SimkitError:
    line = text.count("\n", 0, start) + 1
    return SimkitError(message, file=file, line=line, remedy="Shorten it; no file of the kit needs more.")
