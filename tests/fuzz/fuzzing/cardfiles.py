"""Cards of one's own, in Python files beside a machine, wrong in one place."""

from __future__ import annotations

from fuzzing import corpus
from fuzzing.rolls import Rolls
from fuzzing.sample import Sample
from fuzzing.structure import toml

CARD = """\
{top}
from typing import ClassVar
import attrs
from simkit.contract import BYTE, Card, Drive, PinSpec, Register, Slot, remembers, saved, setting

@attrs.frozen(kw_only=True)
class Settings:
    number: int = setting({default}, low=0, high=9, help="a number")

{before}
class Mine(Card):
    kind: ClassVar[str] = {kind}
    Settings: ClassVar[type] = {settings}
    _kept: int = saved(BYTE, 0)
    {body}
    @classmethod
    def registers(cls, settings):
        return {registers}
    @classmethod
    def pins(cls, settings):
        return {pins}
    def peek(self, offset, cycle):
        return {peek}
    def write(self, offset, value, cycle):
        {write}
"""

SOUND = {
    "top": "",
    "default": "3",
    "before": "@remembers",
    "kind": '"mine"',
    "settings": "Settings",
    "body": "pass",
    "registers": '(Register(0, "only", "rw"),)',
    "pins": '(PinSpec(name="INT", drive=Drive.OPEN_DRAIN, help="interrupt"),)',
    "peek": "self._kept",
    "write": "self._kept = value",
}

WRONG: dict[str, tuple[str, ...]] = {
    "top": (
        "raise ValueError('top')",
        "import no_such_module",
        "def",
        "1/0",
        "from simkit import Machine",
        "import os, sys",
    ),
    "default": ("'x'", "99", "None", "lambda: 3", "1.5", "[]"),
    "before": ("", "@remembers\n@remembers", "@property", "@attrs.frozen"),
    "kind": ("7", "None", "''", "'\\x1b[31m'", "'x' * 5000"),
    "settings": ("dict", "None", "Card", "7", "type('S', (), {})"),
    "body": (
        "__slots__ = ()",
        "_kept = 7",
        "Settings = None",
        "def __init__(self): pass",
        "def save(self, cycle): return {1: object()}",
        "def __getattr__(self, name): raise RuntimeError(name)",
        "model: ClassVar[int] = 'x'",
    ),
    "registers": (
        "None",
        "7",
        "[1]",
        "(Register(0, 'a', 'rw'), Register(0, 'a', 'rw'))",
        "(Register(-1, 'a', 'rw'),)",
        "(Register(99999, 'a', 'r'),)",
        "(Register(0, '', 'x'),)",
        "settings.nothing",
        "1/0",
        "(Register(0, '\\x1b', 'rw'),)",
    ),
    "pins": (
        "None",
        "7",
        "(PinSpec(name='', drive=Drive.OPEN_DRAIN),)",
        "(PinSpec(name='INT', drive=7),)",
        "1/0",
        "('INT',)",
    ),
    "peek": (
        "None",
        "256",
        "-1",
        "1.5",
        "'x'",
        "1/0",
        "[]",
        "True",
        "self.peek(offset, cycle)",
        "(_ for _ in ()).throw(ValueError('\\x1b[31m'))",
    ),
    "write": (
        "raise ValueError('w')",
        "self._kept = 300",
        "self._kept = None",
        "self.slot.report('x', cycle, 'y')",
        "self.slot.at(cycle - 1, 'e')",
        "self.slot.pins['INT'].drive(7)",
        "del self._kept",
        "self.slot = None",
    ),
}

PROGRAM = bytes.fromhex("A9018D007FAD007FEE007F4C0080")
ROM = PROGRAM + b"\xff" * (0x7FFA - len(PROGRAM)) + bytes.fromhex("0080 0080 0080")


def machine(rolls: Rolls) -> Sample:
    """A machine with such a card, whose program writes it and reads it."""
    parts = dict(SOUND)
    for _ in range(rolls.choice((1, 1, 2))):
        place = rolls.choice(list(WRONG))
        parts[place] = rolls.choice(WRONG[place])
    source = CARD.format(**parts).encode()
    tree = {
        "name": "Mine",
        "clock": "1 MHz",
        "cpu": rolls.choice(("6502", "65C02")),
        "card": [
            {"slot": 1, "kind": "sram", "select": "00xx xxxx xxxx xxxx", "settings": {"size": 16384}},
            {"slot": 2, "kind": "rom", "select": "A15", "image": corpus.ROM},
            {"slot": 3, "kind": "file:mine.py:Mine", "select": "0111 1111 0000 0000", "lines": {"INT": "IRQ"}},
        ],
    }
    files = {"machine.toml": toml(rolls, tree).encode(), corpus.ROM: ROM}
    files["mine.py"] = rolls.spoil(source) if rolls.chance(9) else source
    return Sample(call="machine", files={**files})
