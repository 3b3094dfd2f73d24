"""Which line of a source file a listed line is, where the listing has no numbers: found again by its text.

Lines that stand once in both are sure, as far as they come in the same order. Between two of them the rest is matched
in order. What is left over came out of a macro or a loop: it belongs to the line that calls the macro, or to the line
of the loop's body before. Takes time in proportion to the sizes of listing and source, however often the listing passes
through the source: what lies between two sure lines is compared whole only where it is short, and so often.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence

import attrs

MOST_COMPARED = 40_000
"""Listed lines times source lines between two sure ones, up to which all are compared with all."""
ALL_COMPARED = 1_000_000
"""The same for all of one source; beyond it lines are taken as they come."""
CALLS_SEEN = 1000
"""Lines behind the last sure one in which calls of macros are looked for."""

LOOP_LINES = 200
"""How far down the body of a loop is looked for."""

_MACRO = re.compile(r"\s*([A-Za-z_]\w{0,63}):?\s+\.(?:macro|segment|function|sfunction)\b", re.IGNORECASE)
_END = re.compile(r"\.(?:endm|endmacro|ends|endsegment|endf|endfunction)\b", re.IGNORECASE)
_WORD = re.compile(r"[#.]?([A-Za-z_]\w{0,63})")


@attrs.define
class SourceText:
    """Lines of a source, made ready to be found in.

    Attributes:
        lines: each with its blanks made single; of macros' bodies nothing.
        index: numbers of the lines with a text, from 1.
        calls: numbers of the lines that call a macro, and how many lines of bytes each may give.
        left: how much may still be compared.
    """

    lines: list[str]
    index: dict[str, list[int]]
    calls: list[tuple[int, int]]
    left: int = ALL_COMPARED

    @classmethod
    def of(cls, lines: Sequence[str]) -> SourceText:
        """Made from the lines as they stand in the file."""
        bodies, source = _macros([" ".join(line.split()) for line in lines])
        index: dict[str, list[int]] = {}
        calls = []
        for number, text in enumerate(source, start=1):
            if text:
                index.setdefault(text, []).append(number)
                name = _called(text, bodies)
                if name is not None:
                    calls.append((number, bodies[name]))
        return cls(source, index, calls)


def lines_of_rows(rows: Sequence[tuple[str, int]], source: SourceText) -> list[int]:
    """Line numbers of rows.

    Args:
        rows: (text, number as far as known or 0), in order; a row without text goes on with the one before.
        source: the source file.

    Returns:
        A line number, from 1, for each row; 0 where none fits.
    """
    texts = [" ".join(text.split()) for text, _ in rows]
    found = [
        number if 0 < number <= len(source.lines) and source.lines[number - 1] == texts[at] else 0
        for at, (_, number) in enumerate(rows)
    ]
    for row, number in _sure(texts, source.index, found):
        found[row] = number
    _fill_between(texts, source, found)
    _fill_left_over(texts, source, found)
    return found


def _sure(texts: list[str], index: dict[str, list[int]], known: list[int]) -> list[tuple[int, int]]:
    """Rows and lines that stand once in both, or are numbered, in the longest order without a step back."""
    counts = Counter(texts)
    pairs = [
        (row, known[row] or index[text][0])
        for row, text in enumerate(texts)
        if known[row] or (text and counts[text] == 1 and len(index.get(text, ())) == 1)
    ]
    ends: list[int] = []  # last line of the best order of each length
    at: list[int] = []
    before: list[int] = []
    for number, (_, line) in enumerate(pairs):
        length = bisect_left(ends, line)
        before.append(at[length - 1] if length else -1)
        ends[length : length + 1] = [line]
        at[length : length + 1] = [number]
    chain = []
    number = at[-1] if at else -1
    while number >= 0:
        chain.append(pairs[number])
        number = before[number]
    for row, _ in pairs:
        known[row] = 0
    return chain[::-1]


def _fill_between(texts: list[str], source: SourceText, found: list[int]) -> None:
    row, line = 0, 0
    while row < len(texts):
        if found[row]:
            line = found[row]
            row += 1
            continue
        end = row
        while end < len(texts) and not found[end]:
            end += 1
        last = found[end] if end < len(texts) else len(source.lines) + 1
        cells = (end - row) * (last - line)
        if cells <= min(MOST_COMPARED, source.left):
            source.left -= cells
            _compare(texts, source.lines, found, (row, end), (line + 1, last))
        else:
            pointer = line
            for one in range(row, end):
                numbers = source.index.get(texts[one], [])
                at = bisect_right(numbers, pointer)
                if at < len(numbers) and numbers[at] < last:
                    found[one] = pointer = numbers[at]
        row = end


def _compare(
    texts: list[str], source: list[str], found: list[int], rows: tuple[int, int], lines: tuple[int, int]
) -> None:
    """The longest common order of some rows and some lines; of equal ones the first."""
    height, width = rows[1] - rows[0], lines[1] - lines[0]
    best = [[0] * (width + 1) for _ in range(height + 1)]
    for i in range(height - 1, -1, -1):
        text, below, here = texts[rows[0] + i], best[i + 1], best[i]
        for j in range(width - 1, -1, -1):
            same = bool(text) and text == source[lines[0] + j - 1]
            here[j] = below[j + 1] + 1 if same else max(below[j], here[j + 1])
    i = j = 0
    while i < height and j < width:
        text = texts[rows[0] + i]
        if text and text == source[lines[0] + j - 1]:
            found[rows[0] + i] = lines[0] + j
            i, j = i + 1, j + 1
        elif best[i + 1][j] >= best[i][j + 1]:
            i += 1
        else:
            j += 1


def _fill_left_over(texts: list[str], source: SourceText, found: list[int]) -> None:
    following = [0] * (len(texts) + 1)
    following[-1] = len(source.lines) + 1
    for row in range(len(texts) - 1, -1, -1):
        following[row] = found[row] or following[row + 1]
    row, line = 0, 0
    while row < len(texts):
        if found[row]:
            line = found[row]
            row += 1
            continue
        if not texts[row]:
            found[row] = line
            row += 1
            continue
        end = row
        while end < len(texts) and not found[end]:
            end += 1
        first = bisect_right(source.calls, line, key=_number)
        calls = source.calls[first : bisect_left(source.calls, min(following[row], line + CALLS_SEEN), key=_number)]
        left = _give([one for one in range(row, end) if texts[one]], calls, found)
        for one in left:
            numbers = source.index.get(texts[one], [])
            at = bisect_right(numbers, line)
            near = [number for number in numbers[max(at - 1, 0) : at + 1] if number < following[row] + LOOP_LINES]
            found[one] = near[-1] if near else calls[-1][0] if calls else line
        for one in range(row, end):
            if not texts[one]:
                found[one] = found[one - 1] if one else 0
        row = end


def _number(call: tuple[int, int]) -> int:
    return call[0]


def _give(rows: list[int], calls: list[tuple[int, int]], found: list[int]) -> list[int]:
    """Share rows out among calls by the lengths of the macros' bodies, in order; gives those that are left.

    Where there are fewer rows than the bodies have lines, nothing is known of the others: all go to the first call.
    """
    if not calls or sum(length for _, length in calls) > len(rows):
        for row in rows if calls else ():
            found[row] = calls[0][0]
        return [] if calls else rows
    at = 0
    for number, length in calls:
        for row in rows[at : at + length]:
            found[row] = number
        at += length
    return rows[at:]


def _macros(source: list[str]) -> tuple[dict[str, int], list[str]]:
    """Macros that a file defines, with the number of lines in each that may give bytes; and the file without them."""
    found: dict[str, int] = {}
    without = []
    name = None
    for line in source:
        match = _MACRO.match(line)
        if match is not None:
            name = match[1].lower()
            found[name] = 0
        elif _END.match(line):
            name = None
        elif name is not None and line and not line.startswith(";"):
            found[name] += 1
        without.append("" if name is not None else line)
    return found, without


def _called(line: str, bodies: dict[str, int]) -> str | None:
    """The macro that a line calls, as first word or behind a label, with # or . before it; any word after #."""
    for word in line.split(";")[0].split()[:2]:
        match = _WORD.match(word)
        if match is not None and (match[1].lower() in bodies or word.startswith("#")):
            bodies.setdefault(match[1].lower(), 1)  # a macro of another file: nobody knows how long it is
            return match[1].lower()
    return None
