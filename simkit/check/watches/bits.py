"""Decisions by bits that nobody drives: the mask of another register, or a status bit that the board left open."""

from __future__ import annotations

import attrs

from simkit.check.image.ground import code_at
from simkit.check.result.notes import Notes
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.machine import Machine

_FLAG_BITS = {"n": 0x80, "v": 0x40}
"""Bits of the byte read that are in a flag: N after a load or BIT, V after BIT."""


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

    def read(self, address: int, slot: int, driven: int, effect: Effect, pc: int) -> None:
        """The instruction at `pc` read a register of which only the bits `driven` are driven."""
        name = effect.opcode.mnemonic
        if driven not in (0, 0xFF) and (name == "BIT" or effect.sets):
            mask = self._machine.cpu.a if name == "BIT" else 0xFF
            read = _Read(address, slot, driven ^ 0xFF, name == "BIT", mask)
            following = pc + effect.length & 0xFFFF
            if self._open_bits(read, self._effects[code_at(self._machine, following)], following):
                self._read = read

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
            self._notes.add(
                "open-bit-tested",
                cycle,
                f"{effect.opcode.mnemonic} looks at bit "
                f"{' and '.join(str(n) for n in range(7, -1, -1) if bits >> n & 1)} of "
                f"${read.address:04X}, which nothing drives.",
                pc=pc,
                address=read.address,
                slot=read.slot,
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
