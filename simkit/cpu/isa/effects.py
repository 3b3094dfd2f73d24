"""What each instruction does to registers, flags, stack and memory, read off its text (walk.py)."""

from __future__ import annotations

from collections.abc import Set
from functools import cache

import attrs

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import OPCODES, Opcode
from simkit.cpu.isa.walk import FLAGS, REGISTERS, Formula, Way, names, ways

_FOLLOWED = ("a", "x", "y")
_STACK = 0x0100


@attrs.frozen(slots=True)
class Effect:
    """What one opcode does.

    Attributes:
        opcode: the opcode.
        length: bytes of the instruction.
        reads: registers and flags whose value matters: "a", "x", "y", "sp", "n", "z", "c", "v", "d", "i".
        writes: those that may get a new value.
        uses: registers among "axy" that the result depends on; one that is handed on whole is no use.
        sets: registers among "axy" that get a value from elsewhere.
        copies: from and to register among "axy", or "".
        pushes: register among "axy" pushed, or "".
        pulls: register among "axy" pulled, or "".
        depth: bytes pushed less bytes pulled; 0 where the stack pointer is set.
        modifies: whether it reads and writes its operand in place.
        stores: whether it writes its operand; the stack does not count.
        indirect: whether cells of page 0 are the address of its operand.
        branches: whether it goes on relative to where it stands.
        conditional: whether it does so, or goes straight on.
    """

    opcode: Opcode
    length: int
    reads: frozenset[str]
    writes: frozenset[str]
    uses: str
    sets: str
    copies: str
    pushes: str
    pulls: str
    depth: int
    modifies: bool
    stores: bool
    indirect: bool
    branches: bool
    conditional: bool


@cache
def effects(part: str) -> tuple[Effect, ...]:
    """Effects of the 256 opcodes of a part."""
    return tuple(_effect(opcode, ways(part, opcode.code)) for opcode in OPCODES[part])


def is_branch(opcode: Opcode) -> bool:
    """Whether an instruction goes on relative to where it stands, always or on a condition."""
    return opcode.mode in ("rel", "zprel")


def is_conditional(opcode: Opcode) -> bool:
    """Whether an instruction is a branch that may go straight on."""
    return is_branch(opcode) and ops.BRANCH.get(opcode.mnemonic) != "True"


def branch_target(behind: int, offset: int) -> int:
    """Where a branch goes: from the address behind it, by its offset byte, -128 to 127."""
    return behind + offset - (offset & 0x80) * 2 & 0xFFFF


def _effect(opcode: Opcode, found: tuple[Way, ...]) -> Effect:
    writes = frozenset(name for way in found for name in way.results if name != "pc")
    uses = frozenset(name for way in found for name in _used(way))
    results = [(name, formula) for way in found for name, formula in way.results.items()]
    copies = {f"{formula}{name}" for name, formula in results if name in _FOLLOWED and formula in _FOLLOWED}
    pulls = {name for name, formula in results if name in _FOLLOWED and _is_stack_byte(formula)}
    elsewhere = writes - uses - pulls - {each[1] for each in copies}
    writing = [cycle for way in found for cycle in way.cycles if cycle.is_write]
    reading = {cycle.address for way in found for cycle in way.cycles if not cycle.is_write and not cycle.is_dummy}
    stored = [cycle.address for cycle in writing if not _on_stack(cycle.address)]
    pushes = {cycle.data for cycle in writing if _on_stack(cycle.address) and cycle.data in _FOLLOWED}
    return Effect(
        opcode=opcode,
        length=opcode.length,
        reads=frozenset(name for way in found for name in way.reads),
        writes=writes,
        uses=_letters(uses),
        sets=_letters(elsewhere),
        copies="".join(copies),
        pushes=_letters(pushes),
        pulls=_letters(pulls),
        depth=_depth(found[0].results.get("sp")),
        modifies=any(address in reading for address in stored),
        stores=bool(stored),
        indirect=any(_has_pointer(cycle.address) for way in found for cycle in way.cycles),
        branches=is_branch(opcode),
        conditional=is_conditional(opcode),
    )


def _letters(registers: Set[Formula]) -> str:
    return "".join(name for name in _FOLLOWED if name in registers)


def _used(way: Way) -> set[str]:
    """Registers and flags that addresses, decisions, stored bytes and results depend on."""
    formulas: list[Formula] = list(way.decisions)
    for cycle in way.cycles:
        formulas.append(cycle.address)
        if not (_on_stack(cycle.address) and cycle.data in _FOLLOWED):
            formulas.append(cycle.data)
    for name, formula in way.results.items():
        if formula not in _FOLLOWED or name == "sp":  # handed on whole, N and Z with it
            formulas.append(formula)
    return {name for formula in formulas for name in names(formula)} & {*REGISTERS, *FLAGS}


def _on_stack(address: Formula) -> bool:
    return isinstance(address, tuple) and address[:2] == ("|", _STACK)


def _is_stack_byte(formula: Formula) -> bool:
    return isinstance(formula, tuple) and formula[0] == "memory" and _on_stack(formula[1])


def _in_page_0(address: Formula) -> bool:
    return address == "first" or (isinstance(address, tuple) and address[0] == "&" and address[2] == 0xFF)


def _has_pointer(address: Formula) -> bool:
    """Whether a byte read from page 0 is part of an address."""
    if not isinstance(address, tuple):
        return False
    return (address[0] == "memory" and _in_page_0(address[1])) or any(_has_pointer(each) for each in address[1:])


def _depth(stack_pointer: Formula | None) -> int:
    """Bytes pushed, from `sp - 1 & 0xFF` and its like."""
    match stack_pointer:
        case ("&", ("-", "sp", int(pushed)), 0xFF):
            return pushed
        case ("&", ("+", "sp", int(pulled)), 0xFF):
            return -pulled
    return 0
