"""Decisions by bits that nobody drives: the mask of another register, or a status bit that the board left open."""

from __future__ import annotations

import attrs

from simkit.check.image.ground import code_at
from simkit.check.result.notes import Notes
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.machine import Machine

_FLAG_BITS = {"n": 0x80, "v": 0x40}
"""Bits of the byte read that are in a flag: N after a load or BIT, V after BIT."""

_LOADS = {"LDA": "a", "LDX": "x", "LDY": "y"}
_STORES = {"STA": "a", "STX": "x", "STY": "y"}
FARTHEST = 12
"""Instructions behind the read up to which the byte is followed, through registers and cells of page 0."""


@attrs.frozen(slots=True)
class _Read:
    address: int
    slot: int
    open: int  # bits that nobody drives
    by_bit: bool  # read by BIT, not by a load
    mask: int  # what BIT looks at for Z


class OpenBits:
    """Looks at the instruction after the read of a register with bits that nobody drives."""

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._effects = effects(machine.description.cpu)
        self._notes = notes
        self._read: _Read | None = None
        self._followed: dict[tuple[int, int], tuple[int, int] | None] = {}

    def read(self, address: int, slot: int, driven: int, effect: Effect, pc: int, cycle: int) -> None:
        """The instruction at `pc` read a register of which only the bits `driven` are driven."""
        name = effect.opcode.mnemonic
        if driven not in (0, 0xFF) and name in _LOADS:
            self._far(address, slot, driven, pc, cycle)
        if driven not in (0, 0xFF) and (name == "BIT" or effect.sets):
            mask = self._machine.cpu.a if name == "BIT" else 0xFF
            read = _Read(address, slot, driven ^ 0xFF, name == "BIT", mask)
            following = pc + effect.length & 0xFFFF
            if self._open_bits(read, self._effects[code_at(self._machine, following)], following):
                self._read = read

    def _far(self, address: int, slot: int, driven: int, pc: int, cycle: int) -> None:
        """Note an AND further down by which the program decides, where all its bits are open."""
        key = pc, driven
        if key not in self._followed:
            self._followed[key] = self._masked_later(pc, driven)
        found = self._followed[key]
        if found is not None:
            at, bits = found
            self._note("AND", bits, address, slot, at, cycle)

    def _masked_later(self, pc: int, driven: int) -> tuple[int, int] | None:
        """Where the byte that is read at `pc` is masked and decided by, behind copies of it; and the mask."""
        first = self._effects[code_at(self._machine, pc)]
        holds: set[str | int] = {_LOADS[first.opcode.mnemonic]}
        at = pc + first.length & 0xFFFF
        for number in range(FARTHEST):
            effect = self._effects[code_at(self._machine, at)]
            name, mode = effect.opcode.mnemonic, effect.opcode.mode
            following = at + effect.length & 0xFFFF
            if name in ("JMP", "JSR", "RTS", "RTI", "BRK", "BRA", "PLA"):
                return None
            if name == "AND" and mode == "imm" and "a" in holds:
                bits = code_at(self._machine, at + 1 & 0xFFFF)
                behind = self._effects[code_at(self._machine, following)]
                decides = behind.conditional and bool(behind.reads & {"z"})
                if number and decides and bits and not bits & driven:  # the very next one is looked at as it runs
                    return at, bits
            operand = code_at(self._machine, at + 1 & 0xFFFF)
            if mode == "zp" and name in _STORES:
                if _STORES[name] in holds:
                    holds.add(operand)
                else:
                    holds.discard(operand)
            elif mode == "zp" and name in _LOADS and operand in holds:
                holds.add(_LOADS[name])
            elif effect.copies:
                copied = effect.copies[0] in holds
                (holds.add if copied else holds.discard)(effect.copies[1])
            else:
                holds -= effect.writes
            if not holds:
                return None
            at = following
        return None

    def forget(self) -> None:
        """Something else happens before the next instruction."""
        self._read = None

    @property
    def waiting(self) -> bool:
        """Whether the next instruction is to be looked at."""
        return self._read is not None

    def decide(self, effect: Effect, pc: int, cycle: int) -> None:
        """The instruction after the read begins."""
        read, self._read = self._read, None
        assert read is not None
        bits = self._open_bits(read, effect, pc)
        if bits:
            self._note(effect.opcode.mnemonic, bits, read.address, read.slot, pc, cycle)

    def _note(self, mnemonic: str, bits: int, address: int, slot: int, pc: int, cycle: int) -> None:
        numbers = " and ".join(str(n) for n in range(7, -1, -1) if bits >> n & 1)
        self._notes.add(
            "open-bit-tested",
            cycle,
            f"{mnemonic} looks at bit {numbers} of ${address:04X}, which nothing drives.",
            pc=pc,
            address=address,
            slot=slot,
        )

    def _open_bits(self, read: _Read, effect: Effect, pc: int) -> int:
        """Mask of the bits by which the instruction at `pc`, the next one, decides, when all of them are open."""
        flag = next(iter(effect.reads), "") if effect.conditional else ""  # a branch looks at one flag
        if effect.opcode.mnemonic == "AND" and effect.opcode.mode == "imm" and not read.by_bit:
            bits = code_at(self._machine, pc + 1 & 0xFFFF)
        elif flag == "z" and read.by_bit:
            bits = read.mask
        elif flag == "n" or (flag == "v" and read.by_bit):
            bits = _FLAG_BITS[flag]
        else:
            return 0
        return 0 if bits & ~read.open else bits
