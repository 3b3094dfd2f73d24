"""Registers and flags that the program uses before it has set them: RESET leaves them as they happen to be."""

from __future__ import annotations

from simkit.check.image.ground import code_at
from simkit.check.result.notes import Noted
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.again import Again

FIRST = 300
"""Instructions behind RESET that are looked at: by then a program has set all of them, or it has no use for them."""

_STORED = {"STA": "a", "STX": "x", "STY": "y"}
_COUNTS = ("INX", "DEX", "INY", "DEY")
_NAMES = {"a": "A", "x": "X", "y": "Y", "c": "The carry flag", "v": "The overflow flag"}
"""What RESET leaves undefined and a result may hang on (Rockwell, R65C00 technical data, October 1984, RESET; W65C02S
data sheet, section 3.11). N and Z come with each load; D and S have rules of their own."""


def unset_findings(again: Again, until: int) -> list[Noted]:
    """The first use of each that nothing has set since RESET; the machine is run again for its first instructions.

    Args:
        again: of the machine.
        until: cycle from which on the program was lost, or the run over.
    """
    machine = again.machine()
    table = effects(machine.description.cpu)
    unknown, found = set(_NAMES), list[Noted]()
    for _ in range(FIRST):
        if machine.cpu.reset_due or machine.cpu.held:
            machine.step()
            continue
        pc, cycle = machine.cpu.pc, machine.cycle
        if cycle >= until:
            break
        effect = table[code_at(machine, pc)]
        if effect.opcode.mnemonic in _COUNTS:  # what comes of it is as unknown
            machine.step()
            continue
        for name in sorted(_uses(effect) & unknown):
            unknown.discard(name)
            found.append(_noted(machine.place(pc).words(), effect, name, pc, cycle))
        unknown = _unknown_behind(effect, unknown)
        if not unknown or machine.cpu.halted:
            break
        machine.step()
    return found


def _uses(effect: Effect) -> set[str]:
    """What a result of the instruction hangs on; what is only pushed, stored or handed on is not used.

    Some stores are there for the access alone, whatever the byte.
    """
    flags = set() if effect.opcode.mnemonic == "PHP" else set(effect.reads) & {"c", "v"}
    return (set(effect.uses) | flags) - {_STORED.get(effect.opcode.mnemonic, "")}


def _unknown_behind(effect: Effect, unknown: set[str]) -> set[str]:
    if effect.copies and effect.copies[0] in unknown:
        return unknown | {effect.copies[1]}
    return unknown - set(effect.writes)


def _noted(where: str, effect: Effect, name: str, pc: int, cycle: int) -> Noted:
    text = f"{_NAMES[name]} is used by {effect.opcode.mnemonic} at {where} and was never set since RESET."
    return Noted("register-unset", text, pc, None, None, cycle)
