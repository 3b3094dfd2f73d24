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
from collections.abc import Iterator, Mapping, Sequence

import attrs

MOST_COMPARED = 40_000
"""Listed lines times source lines between two sure ones, up to which all are compared with all."""
ALL_COMPARED = 1_000_000
"""The same for all of one source; beyond it lines are taken as they come."""
MAX_DEPTH = 8
"""Macros that call macros."""
MAX_EXPANDED = 20_000
"""Lines that macros of one source stand for; what is beyond is not followed."""
MAX_BODY_CHARACTERS, MAX_PARAMETERS = 200, 8
"""Of a line of a macro, and uses of parameters in it, up to which it is expanded."""
CALLS_SEEN = 1000
"""Lines behind the last sure one in which calls of macros are looked for."""

LOOP_LINES = 200
"""How far down the body of a loop is looked for."""

_MACRO = re.compile(r"\s*([A-Za-z_]\w{0,63}):?\s+\.(?:macro|segment|function|sfunction)\b", re.IGNORECASE)
_END = re.compile(r"\.(?:endm|endmacro|ends|endsegment|endf|endfunction)\b", re.IGNORECASE)
_PARAMETER = re.compile(r"\\(\w+|@)")
_WORD = re.compile(r"[#.]?([A-Za-z_]\w{0,63})")


@attrs.frozen
class Macro:
    """A macro: names of its parameters, and the lines of its body."""

    parameters: Sequence[str]
    body: list[str]


@attrs.define
class SourceText:
    """Lines of a source, made ready to be found in, those that a macro stands for behind the line that calls it.

    Attributes:
        lines: each with its blanks made single; of macros' bodies nothing.
        numbers: of each, the number in the file: that of the call.
        index: numbers of the lines with a text, from 1.
        calls: numbers of the lines that call a macro, and how many lines each stands for.
        first: number among the lines, from 0, by that in the file.
        left: how much may still be compared.
    """

    lines: list[str] = attrs.field(factory=list)
    numbers: list[int] = attrs.field(factory=list)
    index: dict[str, list[int]] = attrs.field(factory=dict)
    calls: list[tuple[int, int]] = attrs.field(factory=list)
    first: list[int] = attrs.field(factory=list)
    left: int = ALL_COMPARED

    @classmethod
    def of(cls, lines: Sequence[str], macros: Mapping[str, Macro]) -> SourceText:
        """Made from the lines as they stand in the file, and the macros of all files."""
        found, room = cls(), iter(range(MAX_EXPANDED))
        for number, text in enumerate(macros_of(lines)[1], start=1):
            found.first.append(len(found.lines))
            call = _called(text, macros)
            stands_for = _expanded(*call, macros, room) if call is not None else []
            if call is not None:
                found.calls.append((len(found.lines) + 1, max(len(stands_for), 1)))
            found.lines += [text, *stands_for]
            found.numbers += [number] * (1 + len(stands_for))
        for at, text in enumerate(found.lines, start=1):
            if text:
                found.index.setdefault(text, []).append(at)
        return found


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
        source.first[number - 1] + 1
        if 0 < number <= len(source.first) and source.lines[source.first[number - 1]] == texts[at]
        else 0
        for at, (_, number) in enumerate(rows)
    ]
    for row, number in _sure(texts, source.index, found):
        found[row] = number
    _fill_between(texts, source, found)
    _fill_left_over(texts, source, found)
    return [source.numbers[number - 1] if number else 0 for number in found]


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


def macros_of(lines: Sequence[str]) -> tuple[dict[str, Macro], list[str]]:
    """Macros that a file defines; and its lines with single blanks, those of macros' bodies empty."""
    found: dict[str, Macro] = {}
    without = []
    macro = None
    for line in (" ".join(line.split()) for line in lines):
        match = _MACRO.match(line)
        if match is not None:
            words = (word.split("=")[0].strip() for word in line[match.end() :].split(";")[0].split(","))
            macro = found[match[1].lower()] = Macro(list(words), [])
        elif _END.match(line):
            macro = None
        elif macro is not None and line and not line.startswith(";"):
            macro.body.append(line)
        without.append("" if macro is not None else line)
    return found, without


def _expanded(name: str, arguments: str, macros: Mapping[str, Macro], room: Iterator[int], depth: int = 0) -> list[str]:
    """Lines that a call stands for, as a listing shows them: with the arguments in place of the parameters.

    Each line of a macro takes one from the room that is left, also one that calls another.
    """
    macro = macros.get(name)
    if macro is None or depth > MAX_DEPTH or len(arguments) > MAX_BODY_CHARACTERS:
        return []
    given = [argument.strip() for argument in arguments.split(",")]
    values = {str(number): value for number, value in enumerate(given, start=1)} | {"@": arguments}
    values |= dict(zip(macro.parameters, given, strict=False))
    found: list[str] = []
    for line, _ in zip(macro.body, room, strict=False):
        text = line
        if len(line) <= MAX_BODY_CHARACTERS and line.count("\\") <= MAX_PARAMETERS:
            text = _PARAMETER.sub(lambda match: values.get(match[1], match[0]), line)
        call = _called(text, macros)
        found += [text] if call is None else _expanded(*call, macros, room, depth + 1)
    return found


def _called(line: str, macros: Mapping[str, Macro]) -> tuple[str, str] | None:
    """Name and arguments of the macro that a line calls, as first word or behind a label, with # or . before it.

    Any word after # is one: macros of files that are not there.
    """
    words = line.split(";")[0].split(maxsplit=2)
    for at, word in enumerate(words[:2]):
        match = _WORD.match(word)
        if match is not None and (match[1].lower() in macros or word.startswith("#")):
            return match[1].lower(), " ".join(words[at + 1 :])
    return None
