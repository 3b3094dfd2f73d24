"""`simkit opcode`: an instruction of either part with what it does on the bus, cycle by cycle."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError, near
from simkit.cpu.isa.cited import SOURCES
from simkit.cpu.isa.cycles import bus_patterns
from simkit.cpu.isa.opcodes import MODE_WORDS, OPCODES, PARTS, Opcode

PART_NAMES = {"6502": "NMOS 6502", "65C02": "W65C02S"}

HELP = help_text(
    "Show an instruction with every bus cycle it makes, dummy reads and double writes included, on both parts.",
    "WHAT is an opcode (A9), a mnemonic with or without its operand (lda, lda #, 'sta $7F00,x', 'jmp ($10)'), or with "
    "--machine an address ('$8000') or label: the instruction that stands there. In a shell, quote $ and brackets.",
    examples=("simkit opcode A9", "simkit opcode 'sta $7F00,x'", "simkit opcode reset --machine demo:marlpit"),
)

# What an operand looks like, spaces taken out and in capitals; the first match counts. Two digits: zero page. The value
# may be left out, as in "lda #": only the mode is asked for.
_NAME = r"[A-Z_][A-Z0-9_.]{0,63}"
_BYTE = r"(?:(?:\$|0X)?[0-9A-F]{1,2})"
_VALUE = rf"(?:(?:\$|0X)?[0-9A-F]{{1,4}}|[0-9]{{1,5}}|{_NAME})"
_IMMEDIATE = (
    rf"#(?:{_BYTE}|1[0-9][0-9]|2[0-4][0-9]|25[0-5]|%[01]{{1,8}}|[<>]?{_NAME}|[<>](?:\$|0X)[0-9A-F]{{1,4}}|'.')?"
)
_SHAPES = (
    (_IMMEDIATE, ("imm",)),
    (r"A", ("acc",)),
    (rf"\({_VALUE}?,X\)", ("indx", "iax")),
    (rf"\({_VALUE}?\),Y", ("indy",)),
    (rf"\({_VALUE}?\)", ("izp", "ind")),
    (rf"{_BYTE},X", ("zpx", "absx")),
    (rf"{_BYTE},Y", ("zpy", "absy")),
    (rf"{_VALUE}?,X", ("absx", "zpx")),
    (rf"{_VALUE}?,Y", ("absy", "zpy")),
    (rf"{_BYTE},{_VALUE}", ("zprel",)),
    (_BYTE, ("zp", "rel", "abs")),
    (_VALUE, ("abs", "rel", "zp", "zprel")),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("opcode", help=HELP)(opcode)


def opcode(
    what: Annotated[list[str], typer.Argument(metavar="WHAT", help="Opcode, instruction, or address in a machine.")],
    cpu: Annotated[
        str | None, typer.Option("--cpu", metavar="CPU", help="6502 or 65C02 alone; both if left out.")
    ] = None,
    machine: Annotated[
        str | None, typer.Option("--machine", metavar="MACHINE", help="Where WHAT is an address or label.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show instructions with their bus cycles."""
    if cpu is not None and cpu not in PARTS:
        raise SimkitError(f"{cpu!r} is not a CPU.", remedy=f"Write {' or '.join(PARTS)}.")
    text = " ".join(what)
    found: list[tuple[str, Opcode, str | None]]
    if machine is not None:
        found = [_at_address(machine, text)]
    else:
        found = [(part, each, None) for part in ((cpu,) if cpu else PARTS) for each in find(part, text)]
        if not found:
            raise SimkitError(
                f"{text!r} is no instruction of the {' or '.join(PART_NAMES[p] for p in ((cpu,) if cpu else PARTS))}.",
                remedy=_remedy(text),
            )
    if as_json:
        say_json([_facts(*entry) for entry in found])
    else:
        if len({each.code for _, each, _ in found}) > 1:
            say(*_table(found), "")
        shown = "\n\n".join("\n".join(_lines(*entry)) for entry in found)
        cited = [f"  {name}: {source}" for name, source in SOURCES.items() if re.search(rf"\[.*\b{name}\b", shown)]
        say(*shown.split("\n"), "", "Sources:", *cited)


def find(part: str, text: str) -> list[Opcode]:
    """Opcodes of a part that a text names: "A9", "$A9", "lda", "lda #", "sta $7F00,x"."""
    opcodes = OPCODES[part]
    bare = text.strip().upper()
    names = {each.mnemonic for each in opcodes}
    code = re.fullmatch(r"(?:\$|0X)?([0-9A-F]{2})", bare)
    if code and bare not in names:
        return [opcodes[int(code[1], 16)]]
    mnemonic, _, operand = bare.partition(" ")
    named = [each for each in opcodes if each.mnemonic == mnemonic]
    operand = operand.replace(" ", "")
    if not operand:
        return named
    for shape, modes in _SHAPES:
        if re.fullmatch(shape, operand):
            fitting = [each for mode in modes for each in named if each.mode == mode]
            return [each for each in fitting if each.mode == fitting[0].mode]
    return []


def _remedy(text: str) -> str:
    mnemonics = {each.mnemonic for part in PARTS for each in OPCODES[part]}
    first = text.strip().upper().partition(" ")[0]
    if first in mnemonics:
        modes = {MODE_WORDS[e.mode] for part in PARTS for e in OPCODES[part] if e.mnemonic == first}
        return (
            f"{first} has the modes {', '.join(sorted(modes))}. Write the operand as in a source, e.g. 'lda $7F00,x'."
        )
    return near(first, mnemonics) or "Write an opcode (A9) or an instruction ('lda #')."


def _at_address(path: str, text: str) -> tuple[str, Opcode, str]:
    from simkit.machine.machine import Machine  # only when a machine is asked for

    machine = Machine.load(path)
    number = re.fullmatch(r"(?:\$|0[xX])([0-9A-Fa-f]{1,4})", text)
    if number:
        address = int(number[1], 16)
    elif text in machine.labels:
        address = machine.labels[text]
    else:
        raise SimkitError(
            f"{text!r} is neither an address nor a label of {path}.",
            remedy=near(text, machine.labels) or "Write an address as $8000.",
        )
    part = machine.description.cpu
    (here,) = machine.disassemble(address, 1)
    name = machine.labels.names().get(address)
    where = f"${address:04X}" + (f" {name}" if name else "")
    return part, OPCODES[part][here.bytes[0]], f"{where}: {here.bytes.hex(' ').upper()}  {here.text}"


def _facts(part: str, opcode: Opcode, where: str | None) -> dict[str, Any]:
    cases = []
    for pattern in bus_patterns(part, opcode.code):
        cycles = [{"action": step.action, "place": step.place, "data": step.data} for step in pattern.cycles]
        cases.append({"when": _when(pattern.when), "cycles": cycles, "source": pattern.source})
    return {
        "cpu": part,
        "opcode": opcode.code,
        "mnemonic": opcode.mnemonic,
        "mode": MODE_WORDS[opcode.mode],
        "bytes": opcode.length,
        "documented": opcode.documented,
        "at": where,
        "cases": cases,
    }


_WHEN = {
    "-": "always",
    "cross": "the index crosses a page",
    "no cross": "the index crosses no page",
    "taken": "taken, in the page",
    "taken page": "taken, into another page",
    "not taken": "not taken",
}


def _when(when: str) -> str:
    decimal = {"D=0": "D clear", "D=1": "D set"}.get(when[:3])
    if decimal is None:
        return _WHEN[when]
    return decimal if when[3:] == "" else f"{decimal}, {_WHEN[when[4:]]}"


def _table(found: Sequence[tuple[str, Opcode, str | None]]) -> list[str]:
    """All opcodes found in lines of a table: what differs between the parts has a line for each."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for part, opcode, _ in sorted(found, key=lambda entry: (not entry[1].documented, entry[1].code)):
        cycles = sorted({len(pattern.cycles) for pattern in bus_patterns(part, opcode.code)})
        shown = str(cycles[0]) if len(cycles) == 1 else f"{cycles[0]} to {cycles[-1]}"
        row = (f"${opcode.code:02X}", opcode.mnemonic, MODE_WORDS[opcode.mode], str(opcode.length), shown)
        rows.setdefault(row, []).append(PART_NAMES[part] + ("" if opcode.documented else ", undocumented"))
    heads = ("code", "", "mode", "bytes", "cycles", "on")
    lines = [heads, *((*row, "both" if len(parts) > 1 else parts[0]) for row, parts in rows.items())]
    widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]


def _lines(part: str, opcode: Opcode, where: str | None) -> list[str]:
    facts = _facts(part, opcode, where)
    size = "1 byte" if opcode.length == 1 else f"{opcode.length} bytes"
    undocumented = "" if opcode.documented else ", not in the maker's manual"
    lines = [where] if where else []
    title = f"${opcode.code:02X} {opcode.mnemonic} {facts['mode']}"
    lines.append(f"{title}, {size}, on the {PART_NAMES[part]}{undocumented}")
    for case in facts["cases"]:
        count = len(case["cycles"])
        lines.append(f"  {case['when']}: {count} {'cycle' if count == 1 else 'cycles'}   [{case['source']}]")
        for number, cycle in enumerate(case["cycles"], start=1):
            data = f": {cycle['data']}" if cycle["data"] else ""
            lines.append(f"    {number}  {cycle['action']:<10}  {cycle['place']}{data}")
    return lines
