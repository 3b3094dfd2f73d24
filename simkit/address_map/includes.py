"""The numbers in include files of ROM sources: which name has which value, in which line.

Read are definitions as assemblers and C write them, mixed as they come, with comments behind `;` or `//` and in /* */:

    NAME = $7F20        NAME := $7F20       .alias NAME $7F20       .define NAME $7F20       NAME: .equ $7F20
    NAME equ 7F20h      .set NAME, $7F20    #define NAME 0x7F20

and what `--syntax json` wrote.

A value is a number ($ or 0x hexadecimal, % or 0b binary, 0 to 9 decimal, a character in quotes), a name that was
defined before, or made of such by the operators + - | & << >> * ~ and brackets. Operators of different kinds without
brackets have another order in each assembler and are not worked out. Anything else in the file is passed over: it may
be a program.
"""

from __future__ import annotations

import json
import operator
import re
from collections.abc import Callable, Mapping
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import lines_of, read_text
from simkit.rom.labels import read_labels

MAX_BYTES = 4_000_000
MAX_DEFINED = 65_536
MAX_TOKENS = 64
MAX_DEPTH = 16

HEXADECIMAL, BINARY, DECIMAL, WORKED_OUT = "hexadecimal", "binary", "decimal", "worked out"


@attrs.frozen
class Defined:
    """A name with its value.

    Attributes:
        name: as written.
        value: of it.
        written: how the value is written: HEXADECIMAL, BINARY, DECIMAL, or WORKED_OUT from other names or by operators.
        line: number of the line, 0 where the form of the file has none.
        is_address: the file is a list of addresses.
    """

    name: str
    value: int
    written: str
    line: int
    is_address: bool = False


@attrs.frozen
class Include:
    """What an include file or a list of labels defines.

    Attributes:
        path: of the file.
        defined: in the order of the file; of a name that comes again the last.
        wiring: identity of the wiring that it was made from, where simkit made it; else "".
        unknown: names whose values could not be worked out, with their lines.
    """

    path: Path
    defined: tuple[Defined, ...]
    wiring: str = ""
    unknown: tuple[tuple[str, int], ...] = ()


_NAME = r"[A-Za-z_][A-Za-z0-9_.]{0,127}"
_FORMS = tuple(
    re.compile(form)
    for form in (
        rf"\s*({_NAME})\s*:?\s*:?=(?!=)\s*(\S.*)",
        rf"\s*({_NAME})\s*:?\s+\.?(?:[Ee][Qq][Uu]|[Ss][Ee][Tt])\s+(\S.*)",
        rf"\s*\.(?:alias|define|set|equ|equate)\s+({_NAME})\s*(?:,\s*|\s+)(\S.*)",
        rf"\s*#\s*define\s+({_NAME})\s+(\S.*)",
    )
)
_WIRING = re.compile(r"(?:;|/\*) Wiring ([0-9a-f]{16})\b")
_COMMENT = re.compile(r"""("(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)'?)|;.*|//.*|/\*.*?(?:\*/|$)""")
_END = r"(?:[uU]?[lL]{0,2})(?![0-9A-Za-z_])"
"""Behind a number: what C writes for its type, and then no more letters or digits."""
_TOKEN = re.compile(
    "|".join(
        (
            rf"(?P<hex>(?:\$|0[xX])[0-9A-Fa-f]{{1,8}}|[0-9][0-9A-Fa-f]{{0,7}}[hH]){_END}",
            rf"(?P<bin>(?:%|0[bB])[01_]{{1,35}}){_END}",
            rf"(?P<dec>[0-9]{{1,10}}){_END}",
            r"(?P<char>'(?:[^'\\]|\\.)')",
            rf"(?P<name>{_NAME})",
            r"(?P<op><<|>>|[-+|&*~()])",
            r"(?P<blank>\s+)",
        )
    )
)
_BINARY: dict[str, tuple[str, Callable[[int, int], int]]] = {
    "+": ("sum", operator.add),
    "-": ("sum", operator.sub),
    "|": ("or", operator.or_),
    "&": ("and", operator.and_),
    "*": ("product", operator.mul),
    "<<": ("shift", lambda value, by: value << min(by, 32)),
    ">>": ("shift", lambda value, by: value >> by),
}
_MOST = (1 << 32) - 1


def read_include(path: Path) -> Include:
    """Definitions of a file; of one that has none the labels, if it is a list of those.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, too large, no text, or nothing in it that defines a name.
    """
    try:
        text = read_text(path, MAX_BYTES, "file of constants")
    except FileNotFoundError as error:
        remedy = "Correct the path, or make it with `simkit map MACHINE --constants FILE`."
        raise SimkitError(f"There is no file {path}.", remedy=remedy) from error
    found = _from_json(text, path) if text.lstrip()[:1] == "{" else _from_lines(lines_of(text), path)
    if found.defined or found.unknown:
        return found
    labels = read_labels(path)
    if not labels:
        raise SimkitError(
            "The file defines no names.",
            file=str(path),
            remedy="An include file of constants is wanted, or a list of labels: NAME = $7F20, .alias NAME $7F20, …",
        )
    return Include(path, tuple(Defined(name, at, HEXADECIMAL, 0, is_address=True) for name, at in labels.items()))


def _from_json(text: str, path: Path) -> Include:
    try:
        data = json.loads(text)
        wiring, groups = str(data["wiring"]), data["groups"]
        rows = [one for group in groups for one in group["constants"]]
        defined = tuple(Defined(str(one["name"]), int(one["value"]), DECIMAL, 0) for one in rows)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise SimkitError(
            "The file is JSON, but not what `simkit map MACHINE --constants FILE --syntax json` writes.",
            file=str(path),
            remedy="Make it anew, or give an include file.",
        ) from error
    return Include(path, defined, wiring)


def _from_lines(lines: list[str], path: Path) -> Include:
    values: dict[str, Defined] = {}
    unknown: dict[str, int] = {}
    wiring = ""
    for number, line in enumerate(lines, start=1):
        if not wiring and (made := _WIRING.search(line)) is not None:
            wiring = made[1]
        match = _definition(_COMMENT.sub(lambda found: found[1] or "", line))
        if match is None:
            continue
        name, text = match
        unknown.pop(name, None)
        try:
            value, written = _value(text, values)
        except _NotWorkedOutError:
            values.pop(name, None)
            unknown[name] = number
            continue
        values.pop(name, None)
        values[name] = Defined(name, value, written, number)
        if len(values) + len(unknown) > MAX_DEFINED:
            message = f"The file defines more than {MAX_DEFINED} names."
            raise SimkitError(message, file=str(path), line=number, remedy="Give one of constants alone.")
    return Include(path, tuple(values.values()), wiring, tuple(unknown.items()))


def _definition(line: str) -> tuple[str, str] | None:
    for form in _FORMS:
        match = form.fullmatch(line.rstrip())
        if match is not None:
            return match[1], match[2]
    return None


class _NotWorkedOutError(Exception):
    """The value is more than is understood."""


def _value(text: str, known: Mapping[str, Defined]) -> tuple[int, str]:
    tokens = _tokens(text)
    if len(tokens) == 1 and tokens[0][0] in _WRITTEN:
        return _number(*tokens[0]), _WRITTEN[tokens[0][0]]
    value, rest = _sum(tokens, known, 0)
    if rest:
        raise _NotWorkedOutError
    return value & _MOST, WORKED_OUT


_WRITTEN = {"hex": HEXADECIMAL, "bin": BINARY, "dec": DECIMAL, "char": DECIMAL}
_Token = tuple[str, str]


def _tokens(text: str) -> list[_Token]:
    found: list[_Token] = []
    at = 0
    while at < len(text.rstrip()):
        match = _TOKEN.match(text, at)
        if match is None or match.lastgroup is None or len(found) >= MAX_TOKENS:
            raise _NotWorkedOutError
        if match.lastgroup != "blank":
            found.append((match.lastgroup, match[match.lastgroup]))
        at = match.end()
    if not found:
        raise _NotWorkedOutError
    return found


def _number(kind: str, text: str) -> int:
    if kind == "hex":
        return int(re.sub(r"^(?:\$|0[xX])|[hH]$", "", text), 16)
    if kind == "bin":
        return int(re.sub(r"^(?:%|0[bB])", "", text).replace("_", "") or "0", 2)
    if kind == "char":
        return ord(text[-2])
    return int(text)


def _sum(tokens: list[_Token], known: Mapping[str, Defined], depth: int) -> tuple[int, list[_Token]]:
    """Terms joined by operators of one kind."""
    value, rest = _term(tokens, known, depth)
    kind = ""
    while rest and rest[0][0] == "op" and rest[0][1] in _BINARY:
        own, function = _BINARY[rest[0][1]]
        if kind and own != kind:
            raise _NotWorkedOutError
        kind = own
        other, rest = _term(rest[1:], known, depth)
        value = function(value, other) & _MOST
    return value, rest


def _term(tokens: list[_Token], known: Mapping[str, Defined], depth: int) -> tuple[int, list[_Token]]:
    if not tokens or depth > MAX_DEPTH:
        raise _NotWorkedOutError
    (kind, text), rest = tokens[0], tokens[1:]
    if kind == "name":
        if text not in known:
            raise _NotWorkedOutError
        return known[text].value, rest
    if kind != "op":
        return _number(kind, text), rest
    if text == "~":
        value, rest = _term(rest, known, depth + 1)
        return ~value & _MOST, rest
    if text == "(":
        value, rest = _sum(rest, known, depth + 1)
        if not rest or rest[0] != ("op", ")"):
            raise _NotWorkedOutError
        return value, rest[1:]
    raise _NotWorkedOutError
