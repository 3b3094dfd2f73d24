"""Files of constants in the syntax of an assembler, of C, or as JSON. The same machine gives the same bytes."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Sequence

from simkit.address_map.constants import ADDRESS, BASE, MASK, NUMBER, Constant, Group, word
from simkit.contract.plain import plain
from simkit.files.formats import Format

WIDTH = 96
"""Characters of a line in which a comment still fits."""


def _is_json(content: bytes) -> bool:
    try:
        return set(json.loads(content)) == {"machine", "wiring", "groups"}
    except (ValueError, TypeError, RecursionError):
        return False


def _hex(one: Constant) -> str:
    return f"${one.value:04X}"


def _assembler(one: Constant) -> str:
    """The value as every 6502 assembler reads it: $ hexadecimal, % binary, else decimal."""
    return _hex(one) if one.what in (ADDRESS, BASE) else f"%{one.value:08b}" if one.what == MASK else str(one.value)


def _ca65(one: Constant) -> str:
    """A register is a label (`:=`), so that it stands in label lists and debug files; a number is none."""
    return f"{one.name} {':=' if one.what == ADDRESS else '='} {_assembler(one)}"


def _c(one: Constant) -> str:
    digits = 4 if one.what in (ADDRESS, BASE) else 2
    shown = f"0x{one.value:0{digits}X}" if one.what in (ADDRESS, BASE, MASK) else str(one.value)
    return f"#define {one.name} {shown}{'UL' if one.what == NUMBER and one.value > 0x7FFF else ''}"


_LINES: dict[str, Callable[[Constant], str]] = {
    "ca65": _ca65,
    "64tass": lambda one: f"{one.name} = {_assembler(one)}",
    "ophis": lambda one: f".alias {one.name} {_assembler(one)}",
    "equals": lambda one: f"{one.name} = {_assembler(one)}",
    "equ": lambda one: f"{one.name} equ {_assembler(one)}",
    "c": _c,
}
JSON = "json"
SYNTAXES = (*_LINES, JSON)
MADE_BY = "Made by simkit from the machine file; change that and make this anew."
CONSTANTS = Format(
    "a file of constants by simkit", lambda content: MADE_BY.encode() in content[:1000] or _is_json(content)
)


def constants_file(groups: Sequence[Group], machine: str, identity: str, syntax: str) -> str:
    """A whole file.

    Args:
        groups: what `constants_of` gave.
        machine: its name.
        identity: what `wiring_identity` gave.
        syntax: one of SYNTAXES.
    """
    if syntax == JSON:
        return _json(groups, machine, identity)
    line = _LINES[syntax]
    comment = _c_comment if syntax == "c" else _comment
    guard = f"{word(machine) or 'MACHINE'}_CONSTANTS_H"
    lines = [
        comment(f"{_one_line(machine)}: addresses, registers and bits as the machine is wired."),
        comment(MADE_BY),
        comment(f"Wiring {identity}"),
        *([f"#ifndef {guard}", f"#define {guard}"] if syntax == "c" else []),
    ]
    for group in groups:
        lines += ["", comment(_one_line(group.title))]
        width = max((len(line(one)) for one in group.constants), default=0)
        for one in group.constants:
            text = line(one)
            lines.append(f"{text:<{width}}   {comment(_one_line(one.help))}" if one.help else text)
        lines += [comment(f"Without a constant: {_one_line(missing)}") for missing in group.missing]
    lines += ["", "#endif"] if syntax == "c" else []
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    return f"; {text}"


def _c_comment(text: str) -> str:
    return f"/* {text.replace('*/', '* /')} */"


def _one_line(text: str) -> str:
    """A comment cannot become a line of its own, nor hold what an assembler does not read."""
    return re.sub(r"\s+", " ", plain(text)).strip().encode("ascii", "replace").decode()


def _json(groups: Iterable[Group], machine: str, identity: str) -> str:
    return (
        json.dumps(
            {
                "machine": machine,
                "wiring": identity,
                "groups": [
                    {
                        "slot": group.slot,
                        "title": group.title,
                        "constants": [
                            {
                                "name": one.name,
                                "value": one.value,
                                "what": one.what,
                                "register": one.register,
                                "bit": one.bit,
                                "help": one.help,
                            }
                            for one in group.constants
                        ],
                        "missing": list(group.missing),
                    }
                    for group in groups
                ],
            },
            indent=1,
        )
        + "\n"
    )
