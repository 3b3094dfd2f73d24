"""A program as source text and as bytes: a small two-pass assembler for what the generator writes.

The source keeps to what common assemblers read alike: labels with a colon, `#`, `<`, `>`, hexadecimal numbers, `.byte`,
`.word`. Where they differ, at the origin and at fills, `source` writes what the assembler asked for wants.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import attrs

from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.cpu.isa.opcodes import OPCODES

SYNTAXES: Mapping[str, tuple[str, str]] = {
    "ophis": (".org ${at:04X}", ".advance ${at:04X}, ${byte:02X}"),
    "ca65": (".org ${at:04X}", ".res ${at:04X}-*, ${byte:02X}"),
    "64tass": ("* = ${at:04X}", ".fill ${at:04X}-*, ${byte:02X}"),
}
"""By assembler: how it is told where the program begins, and to fill up to an address."""

_BY_NAME = {
    (one.mnemonic, one.mode): one.code
    for one, other in zip(OPCODES["6502"], OPCODES["65C02"], strict=True)
    if one.documented and (one.mnemonic, one.mode) == (other.mnemonic, other.mode)
}
"""Opcode by mnemonic and mode, of instructions that both parts have."""
_BRANCHES = {mnemonic for mnemonic, mode in _BY_NAME if mode == "rel"}
_LABEL = re.compile(r"([A-Za-z]\w*):$")
_FORMS = (
    (re.compile(r"#(.+)$"), ("imm",)),
    (re.compile(r"\((.+)\),y$"), ("indy",)),
    (re.compile(r"(.+),x$"), ("zpx", "absx")),
    (re.compile(r"(.+),y$"), ("zpy", "absy")),
    (re.compile(r"(.+)$"), ("zp", "abs")),
)
_WORD_BYTES = 2
LOOP_ROOM = 4


@attrs.frozen
class _Line:
    """A line that makes bytes.

    Attributes:
        at: address of its first byte.
        text: as written.
        size: bytes.
        mode: addressing mode of an instruction; "" for data.
    """

    at: int
    text: str
    size: int
    mode: str


class Code:
    """A program that grows.

    Args:
        origin: address of the first byte.
        fill: byte of what nothing is written to.

    Attributes:
        at: address behind the last byte.
        labels: address by label, in the order of the source.
        told: labels that people are to know.
    """

    def __init__(self, origin: int, fill: int = 0) -> None:
        self.origin = origin
        self.at = origin
        self.labels: dict[str, int] = {}
        self.told: list[str] = []
        self._fill = fill
        self._lines: list[_Line] = []
        self._text: list[str | int] = []  # of the source; a number: fill up to there
        self._made = 0

    def new_label(self) -> str:
        """A label that nothing has."""
        self._made += 1
        return f"n{self._made}"

    def add(self, text: str) -> None:
        """Add lines of source; what stands behind a semicolon goes into the source alone."""
        for raw in text.splitlines():
            line = raw.partition(";")[0].strip()
            if label := _LABEL.match(line):
                self._label(label[1])
            elif line:
                size, mode = self._measure(line)
                self._lines.append(_Line(self.at, line, size, mode))
                self.at += size
            if raw.strip():
                self._text.append(raw.rstrip() if label or not line else f"        {raw.strip()}")

    def name(self, label: str) -> None:
        """A label that people are to know, here."""
        self.add(f"{label}:")
        self.told.append(label)

    def stay(self, label: str) -> None:
        """A loop at a label, within four addresses: A15 to A2 stand still in it, for a logic probe."""
        self.add("\n".join(["nop"] * (-self.at % LOOP_ROOM)))
        self.name(label)
        self.add(f"jmp {label}")

    def remark(self, *lines: str) -> None:
        """Comment lines of their own, a free line before them."""
        self._text += ["", *(f"; {plain(line)}".rstrip() for line in lines)]

    def data(self, values: bytes) -> None:
        """Bytes, eight a line."""
        for start in range(0, len(values), 8):
            self.add(".byte " + ", ".join(f"${value:02X}" for value in values[start : start + 8]))

    def fill_to(self, address: int) -> None:
        """Leave everything up to an address at the fill byte."""
        if address < self.at:
            raise SimkitError(f"The program reaches ${self.at - 1:04X}, beyond ${address:04X}.")
        if address > self.at:
            self._text.append(address)
        self.at = address

    def image(self) -> bytes:
        """The program from its origin on."""
        found = bytearray([self._fill]) * (self.at - self.origin)
        for line in self._lines:
            found[line.at - self.origin : line.at - self.origin + line.size] = self._assemble(line)
        return bytes(found)

    def source(self, syntax: str, head: str) -> str:
        """The source for one of SYNTAXES, with comment lines at its head."""
        begin, fill = SYNTAXES[syntax]
        body = [fill.format(at=line, byte=self._fill) if isinstance(line, int) else line for line in self._text]
        lines = [*(f"; {plain(line)}".rstrip() for line in head.splitlines()), "", begin.format(at=self.origin), *body]
        return "\n".join([*lines, ""])

    # one line -------------------------------------------------------------------------------------------------------

    def _label(self, name: str) -> None:
        if name in self.labels:
            raise SimkitError(f"The label {name} stands twice.")
        self.labels[name] = self.at

    def _measure(self, line: str) -> tuple[int, str]:
        word, _, operand = line.partition(" ")
        if word in (".byte", ".word"):
            return (operand.count(",") + 1) * (_WORD_BYTES if word == ".word" else 1), ""
        mnemonic = word.upper()
        if not operand:
            return 1, "imp" if (mnemonic, "imp") in _BY_NAME else "acc"
        if mnemonic in _BRANCHES:
            return 2, "rel"
        for form, modes in _FORMS:
            if found := form.match(operand.replace(" ", "")):
                short, *long = modes
                fits = short in ("imm", "indy") or (found[1][0] == "$" and int(found[1][1:], 16) <= 0xFF)
                mode = short if fits and (mnemonic, short) in _BY_NAME else long[0]
                return (3 if mode in ("abs", "absx", "absy") else 2), mode
        raise AssertionError(line)

    def _assemble(self, line: _Line) -> bytes:
        word, _, operand = line.text.partition(" ")
        if not line.mode:
            size = _WORD_BYTES if word == ".word" else 1
            return b"".join(self._value(one.strip()).to_bytes(size, "little") for one in operand.split(","))
        code = bytes([_BY_NAME[word.upper(), line.mode]])
        if line.size == 1:
            return code
        if line.mode == "rel":
            return code + (self._value(operand) - line.at - 2).to_bytes(1, "little", signed=True)
        found = next(found for form, _ in _FORMS if (found := form.match(operand.replace(" ", ""))))
        return code + self._value(found[1]).to_bytes(line.size - 1, "little")

    def _value(self, text: str) -> int:
        if text[0] == "$":
            return int(text[1:], 16)
        if text[0] in "<>":
            value = self._value(text[1:])
            return value & 0xFF if text[0] == "<" else value >> 8
        if text not in self.labels:
            raise SimkitError(f"There is no label {text}.")
        return self.labels[text]
