"""What only the capture knows: bytes that no card bears out, and where the CPU is if one of them was misread."""

from __future__ import annotations

from collections.abc import Iterator

from simkit.compare.led_cpu import IRQ_VECTOR, NMI_VECTOR, RESET_VECTOR, State
from simkit.compare.rows import DOUBTFUL, WRITE_BIT
from simkit.compare.track import Track

LOADS_PC = (0x20, 0x40, 0x4C, 0x60, 0x6C, 0x7C)
"""JSR, RTI, JMP address, RTS, JMP (address) and JMP (address,X)."""
VECTOR_ENDS = (IRQ_VECTOR + 1, NMI_VECTOR + 1, RESET_VECTOR + 1)
TRACED = 64
"""Instructions through which a register is traced back to where it was loaded. Ours."""
BEHIND = 2
"""Rows behind an instruction whose addresses may come of what it read. Ours."""


class OnlyCaptured:
    """Says what bytes that only the capture knows may have been, and what comes of them."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells

    def unsure(self, row: int, end: int, *, one_row: bool) -> Iterator[dict[int, int]]:
        """Bytes that only the capture knows, each with one bit as it may have been; or all, where it does not know.

        Where one row alone differs that row may as well be the one that was misread.
        """
        rows, cells = self._rows, self._cells
        words = self._cpu.should[row:end]
        for at, word in enumerate(words, row):
            if word < 0 or word & WRITE_BIT or cells.expected(word & 0xFFFF) is not None or self._is_read_twice(at):
                continue
            if rows.data[at] < 0:
                yield from ({at: byte} for byte in self._shown_behind(at, end))
            elif not one_row:
                yield from ({at: rows.data[at] ^ 1 << bit} for bit in range(8))

    def _is_read_twice(self, row: int) -> bool:
        """Whether the same comes from the same place beside it: the 65C02 reads twice what it writes back."""
        should, data = self._cpu.should, self._rows.data
        return data[row] >= 0 and any(
            should[at] == should[row] and data[at] == data[row] for at in (row - 1, row + 1) if at < len(data)
        )

    def _shown_behind(self, row: int, end: int) -> set[int]:
        """Bytes of which the addresses behind a row come, as they are or by a branch, where its own is not known."""
        found, behind = set[int](), self._cpu.should[row] + 1
        for word in self._rows.words[row + 1 : end + BEHIND]:
            for byte in (word & 0xFF, word >> 8 & 0xFF, word - behind & 0xFF):
                found |= {byte, byte - 1 & 0xFF}
        known, shown = self._rows.known[row], self._rows.bytes[row]
        return {byte for byte in found if not (byte ^ shown) & known}

    def landed(self, state: State) -> State | None:
        """A state with PC as captured, where it was last loaded with bytes that only the capture knows."""
        rows, row = self._rows, state[0]
        if not self._track.starts or rows.seen[row] == DOUBTFUL:
            return None
        begun, pc = self._track.starts[-1]
        codes = {rows.data[begun], self._cells.likely(pc)}
        if rows.data[begun] >= 0 and self._ways.effects[rows.data[begun]].branches:
            return self._branched_to(state, begun, pc)
        if self._cpu.should[row - 1] in VECTOR_ENDS:
            loaded = [*range(max(begun, row - 2), row)]
        elif codes.isdisjoint(LOADS_PC):
            return None
        else:
            loaded = [begun + 1, row - 1] if codes & {0x20, 0x4C} else [*range(max(begun, row - 3), row)]
        if all(self._track.expected[at] >= 0 and self._track.agreed[at] == 0xFF for at in loaded):
            return None
        mine, shown = (self._cells.expected(address) for address in (state[1], rows.words[row] & 0xFFFF))
        if mine == rows.data[row] and shown not in (None, mine):  # it is the address that was misread
            return None
        return (row, rows.words[row] & 0xFFFF, *state[2:])

    def _branched_to(self, state: State, begun: int, pc: int) -> State | None:
        """The same behind a branch, where its operand, or one line of it, is what only the capture has.

        Args:
            state: behind it.
            begun: row in which it begins.
            pc: its address.
        """
        rows, row, track = self._rows, state[0], self._track
        behind = pc + self._ways.effects[rows.data[begun]].length & 0xFFFF
        at = next((at for at in range(begun + 1, row) if self._cpu.should[at] == behind - 1), None)
        shown = rows.words[row] & 0xFFFF
        by = shown - behind
        if at is None or state[1] == behind or not -0x80 <= by < 0x80:
            return None
        apart = (by & 0xFF) ^ rows.bytes[at]
        told = track.agreed[at] if track.expected[at] >= 0 else 0
        if rows.data[at] < 0:
            told |= rows.known[at]
        elif apart & apart - 1:
            return None
        return None if apart & told else (row, shown, *state[2:])

    def soft(self, state: State) -> frozenset[str]:
        """Registers that an instruction uses and whose value comes of a byte that only the capture knows."""
        effect = self._ways.effects[self._track.code_at(state)]
        found = frozenset(name for name in effect.reads & {"a", "x", "y"} if self._comes_of_capture(name))
        return found | (effect.reads & {"sp"} if self._track.from_middle else frozenset())

    def _comes_of_capture(self, name: str) -> bool:
        for row, _ in reversed(self._track.starts[-TRACED:]):
            if self._ways.told.get(name) == row:
                return True
            code = self._rows.data[row]
            effect = self._ways.effects[code if code >= 0 else 0xEA]
            if any(name in self._ways.effects[other].writes for other in self._other_codes(row)):
                return True
            if name not in effect.writes:
                continue
            if effect.opcode.mode in ("imp", "acc", "imm"):
                if name in effect.reads or not effect.reads & {"a", "x", "y"}:
                    if effect.opcode.mode == "imm" or not effect.reads & {"a", "x", "y"}:
                        return effect.pulls == name
                    continue
                name = next(iter(effect.reads & {"a", "x", "y"}))
                continue
            return True
        return self._track.from_middle

    def other_lengths(self, state: State) -> list[int]:
        """Opcodes of another length that the CPU may have taken at a state: one line is as only the capture has it."""
        length = self._ways.effects[self._track.code_at(state)].length
        return [code for code in self._other_codes(state[0]) if self._ways.effects[code].length != length]

    def was_of_another_length(self, state: State) -> bool:
        """Whether the last opcode, with one line as only the capture has it, leads where the capture shows the CPU."""
        track = self._track
        if not track.starts:
            return False
        row, pc = track.starts[-1]
        shown = self._rows.words[state[0]] & 0xFFFF
        return any(pc + self._ways.effects[code].length & 0xFFFF == shown for code in self._other_codes(row))

    def _other_codes(self, row: int) -> list[int]:
        """Opcodes that the CPU may have taken in a row, where one line of the captured one is what only that knows."""
        track, code = self._track, self._rows.data[row]
        told = track.agreed[row] if track.expected[row] >= 0 else 0
        return [code ^ 1 << bit for bit in range(8) if not told >> bit & 1] if code >= 0 else []
