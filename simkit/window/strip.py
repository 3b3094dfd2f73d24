"""Strips of text at the foot of the window: what stands in their lines when there is little room."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

TextWidth = Callable[[str], int]
"""Window pixels that a text takes."""

CUT = "…"
BREAKS = "/\\:"
"""In a word that is too long for a line, a path mostly, it is broken behind the last of these."""

_WORD = re.compile(r"\(?\d{1,3}(?: \d{3}\b)+\S*|\(slot \d+\)\S*|\S+")
"""A number whose digits stand in groups of three is one word: half of it would be another number. So is a slot."""


def wrapped(text: str, width: int, text_width: TextWidth) -> list[str]:
    """Lines of a text, none wider than `width`: broken between words, and within a word that is too long for a line."""
    lines: list[str] = []
    for paragraph in text.splitlines():
        line = ""
        for word in _words(paragraph, width, text_width):
            longer = f"{line} {word}" if line else word
            if text_width(longer) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            *whole, line = _pieces(word, width, text_width)
            lines += whole
        if line:
            lines.append(line)
    return lines


def newest(lines: list[str], most: int) -> list[str]:
    """At most so many lines, those at the end: of a question what is being written, and what is wrong with it."""
    return lines[-most:]


def _words(text: str, width: int, text_width: TextWidth) -> Iterator[str]:
    for word in _WORD.findall(text):
        if text_width(word) <= width:
            yield word
        else:
            yield from word.split()


def shortened(lines: list[str], most: int, rest: str = "") -> list[str]:
    """At most so many lines; the last one shows that there were more, or says where the rest is."""
    if len(lines) <= most:
        return lines
    if rest and most > 2:
        return [*lines[: most - 1], f"{CUT} {rest}"]
    return [*lines[: most - 1], f"{lines[most - 1]} {CUT}"]


def _pieces(word: str, width: int, text_width: TextWidth) -> list[str]:
    """A word in pieces that fit, each at least a character; broken behind one of BREAKS where there is one."""
    pieces: list[str] = []
    while text_width(word) > width and len(word) > 1:
        fits, too_long = 1, len(word)
        while too_long - fits > 1:
            middle = (fits + too_long) // 2
            if text_width(word[:middle]) <= width:
                fits = middle
            else:
                too_long = middle
        fits = max((word.rfind(sign, 0, fits) + 1 for sign in BREAKS), default=0) or fits
        pieces.append(word[:fits])
        word = word[fits:]
    return [*pieces, word]
