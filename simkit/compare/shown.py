"""Registers that are not known, worked out from the cycles that show them."""

from __future__ import annotations

from simkit.compare.apart import Apart
from simkit.compare.cells import Cells
from simkit.compare.led_cpu import Ended, LedCpu, State
from simkit.compare.rows import SYNC_BIT, WRITE_BIT, Rows
from simkit.cpu.isa.effects import effects

MAKE_ADDRESSES = frozenset({"x", "y", "sp"})
"""Registers that addresses are made of."""
LONGEST = 3
"""Bytes of an instruction: at their addresses the CPU cannot be wrong, while it is in step."""
LONGEST_ROWS = 16
"""Rows of an instruction or a sequence, at most, but for those in which RDY holds it."""
_SET = {"n": (0x80, 0), "v": (0x40, 0), "z": (0, 1), "c": (1, 0), "d": (8, 0)}
"""Values of a flag's attribute, set and clear."""
_INDEXED = {
    "x": frozenset({"zpx", "absx", "indx", "iax"}),
    "y": frozenset({"zpy", "absy", "indy"}),
}


class Shown:
    """Finds the values of registers that the cycles of an instruction show.

    Attributes:
        told: by register, the row of the instruction whose cycles told it last.
    """

    def __init__(self, cpu: LedCpu, rows: Rows, part: str, cells: Cells, apart: Apart) -> None:
        self._cpu, self._rows, self._expected, self._apart = cpu, rows, cells.expected, apart
        self._effects = effects(part)
        self.told: dict[str, int] = {}

    def worked_out(self, before: State, code: int, name: str) -> tuple[State, bool] | None:
        """State with the value of a register that the cycles of an instruction show; None: they show none.

        With it comes whether that is certain: where wiring leaves address lines open several values may fit, and where
        a row is misread none does, but for that row.
        """
        cpu = self._cpu
        values = self._possible(before, code, name)
        fits: list[tuple[int, State]] = []
        nearly: list[tuple[int, State]] = []
        for value in values:
            cpu.load(before)
            setattr(cpu, name, value)
            start = cpu.save()
            try:
                cpu.step()
            except Ended:
                return None
            elsewhere = [each for each in cpu.odd if self._elsewhere(each)]
            odd = len(cpu.odd if name == "a" else elsewhere)
            if name in _SET:
                fits.append((odd + self._does_not_go_on_at(cpu.pc), start))
            elif odd <= (name == "sp"):  # one row may be misread: the stack is accessed in several
                fits.append((odd, start))
            elif name in _INDEXED and odd == 1:
                row, word, _ = elsewhere[0]
                nearly.append((self._apart.differs(row, word, -1).bit_count(), start))
        fits.sort()
        if not fits:
            return (min(nearly)[1], False) if nearly else None
        if len(fits) > 1 and fits[0][0] == fits[1][0]:
            return (fits[0][1], False) if name in MAKE_ADDRESSES else None
        self.told[name] = before[0]
        return fits[0][1], True

    def misread(self, row: int, end: int) -> set[int]:
        """Reads whose byte is not the card's at the address that was captured, but is so at one a line apart.

        The addresses of the instruction's own bytes are no register's, and certain.
        """
        rows, found, pc = self._rows, set(), self._cpu.should[row]
        for at in range(row, min(end, len(rows))):
            word, byte = self._cpu.should[at], rows.data[at]
            if word < 0 or word & (WRITE_BIT | SYNC_BIT) or byte < 0 or word - pc & 0xFFFF < LONGEST:
                continue
            mine = self._expected(word & 0xFFFF)
            if mine not in (None, byte) and any(self._expected(word & 0xFFFF ^ 1 << bit) == byte for bit in range(16)):
                found.add(at)
        return found

    def made_by(self, before: State, names: frozenset[str]) -> list[list[int]]:
        """For each of some registers the rows of an instruction whose addresses it makes.

        Args:
            before: the state in which it begins.
            names: of the registers.
        """
        cpu = self._cpu
        after, odd, doubt = cpu.save(), cpu.odd, cpu.doubt
        here = slice(before[0], before[0] + LONGEST_ROWS)
        made, wrote = cpu.should[here], cpu.wrote[here]
        found: list[list[int]] = []
        for name in sorted(names):
            cpu.load(before)
            setattr(cpu, name, getattr(cpu, name) ^ 1)
            cpu.odd = []
            try:
                cpu.step()
            except Ended:
                found.append([])
                continue
            pairs = enumerate(zip(made, cpu.should[here], strict=True), before[0])
            found.append([row for row, (mine, other) in pairs if mine != other])
        cpu.load(after)
        cpu.should[here], cpu.wrote[here] = made, wrote
        cpu.odd, cpu.doubt = odd, doubt
        return found

    def _possible(self, before: State, code: int, name: str) -> set[int]:
        """Values of a register that the cycles of an instruction could show; none where they show nothing of it."""
        rows, effect, row = self._rows, self._effects[code], before[0]
        end = min(row + LONGEST_ROWS // 2, len(rows))
        if name in _SET:
            return set(_SET[name]) if effect.conditional or (name == "d" and self._cpu.cmos) else set()
        if name == "sp":
            lows = self._lows(row + 1, end)
            return {low + by & 0xFF for low in lows for by in (-2, -1, 0, 1, 2)}
        found: set[int] = set()
        if effect.opcode.mode in _INDEXED.get(name, ()):
            instead = self._cpu.instead
            bases = {instead.get(at, byte) for at, byte in enumerate(rows.bytes[row + 1 : row + 4], row + 1)}
            found |= {low - base & 0xFF for low in self._lows(row + 2, end) for base in bases}
        if (effect.stores and not effect.modifies) or effect.pushes == name:
            found |= {rows.bytes[at] for at in range(row, end) if rows.words[at] & WRITE_BIT and rows.known[at] == 0xFF}
        return found

    def _lows(self, row: int, end: int) -> set[int]:
        """Low bytes that the addresses of some rows may have at the CPU: wiring may leave lines of them open."""
        rows, found = self._rows, set[int]()
        for word, mask in zip(rows.words[row:end], rows.masks[row:end], strict=True):
            if mask & 0xFF:
                found |= {word & 0xFF & mask | bits for bits in subsets(0xFF & ~mask)}
        return found

    def _does_not_go_on_at(self, pc: int) -> int:
        """In how many of two rows the capture shows that neither an instruction nor an interrupt sequence begins."""
        rows, row, found = self._rows, self._cpu.at, 0
        for at, addresses in ((row, (pc,)), (row + 1, (pc, pc + 1 & 0xFFFF))):
            if at < len(rows):
                mask = rows.masks[at] & 0xFFFF & ~self._apart.tolerated
                found += all((rows.words[at] ^ address) & mask for address in addresses)
        return found

    def _elsewhere(self, odd: tuple[int, int, int]) -> bool:
        """Whether it is the address that differs, or a read is none; bytes may come of what else is not known."""
        row, word, _ = odd
        mask = self._rows.masks[row] & (0xFFFF | WRITE_BIT) & ~self._apart.tolerated
        return bool((self._rows.words[row] ^ word) & mask)


def subsets(bits: int) -> list[int]:
    """Each choice of bits."""
    found = [0]
    for bit in (1 << at for at in range(bits.bit_length()) if bits >> at & 1):
        found += [each | bit for each in found]
    return found
