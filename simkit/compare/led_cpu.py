"""A CPU that takes its bytes from a capture, and notes where the capture shows another cycle than it makes.

The instructions are the texts that the engines run (`simkit.cpu.isa.bus_texts`). A read takes the captured byte,
whatever address it was made at; so the CPU stays in step as long as it reads what the real one read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from simkit.backplane.cycle import Kind
from simkit.compare.rows import DOUBTFUL, SYNC_BIT, WRITE_BIT, Rows
from simkit.cpu.reference.compiled import handlers, pieces

_PIECES = pieces()

REGISTERS = ("pc", "a", "x", "y", "sp", "n", "v", "z", "c", "d", "i")
State = tuple[int, ...]
"""Row that comes next, then REGISTERS, then whether WAI has stopped it."""

IRQ_VECTOR, NMI_VECTOR, RESET_VECTOR = 0xFFFE, 0xFFFA, 0xFFFC

RESET_CYCLES = 7


class Ended(Exception):  # noqa: N818 - a signal, not an error
    """The capture ends within an instruction."""


class LedCpu:
    """Registers, and the row of the capture that comes next.

    Attributes:
        at: row of the next cycle.
        odd: rows at which the capture shows another cycle: (row, word as it should be, byte written or DOUBTFUL).
        doubt: a byte that is not known was read in this instruction.
        may_stall: whether RDY may hold it.
        halted: STP, or an opcode that jams it.
        instead: bytes that it takes instead of the captured ones, by row.
        expects: byte to expect at an address where the capture does not know it, or None.
        should: by row, the word that it put out when it was there last; DOUBTFUL where it was not.
        wrote: by row, the byte that it wrote there then.
    """

    __slots__ = (
        *REGISTERS,
        "_end",
        "_rows",
        "_seen",
        "_taken",
        "at",
        "began",
        "cmos",
        "doubt",
        "due",
        "expects",
        "first",
        "halted",
        "instead",
        "instruct",
        "magic",
        "masked",
        "may_stall",
        "odd",
        "polls",
        "should",
        "waiting",
        "wrote",
    )

    p = property(_PIECES["flags"], _PIECES["set_flags"])
    operand = _PIECES["operand"]
    data = _PIECES["data"]
    dummy = _PIECES["dummy"]
    push = _PIECES["push"]
    pull = _PIECES["pull"]
    take_branch = _PIECES["take_branch"]
    take_branch_on_bit = _PIECES["take_branch_on_bit"]
    enter_handler = _PIECES["enter_handler"]
    fetch_vector = _PIECES["fetch_vector"]

    def __init__(
        self, part: str, rows: Rows, expects: Callable[[int], int | None], *, spare: str, magic: int, stalls: bool
    ) -> None:
        self._rows, self._seen, self._taken, self._end = rows, rows.seen, rows.data, len(rows)
        self.may_stall = stalls
        self.expects = expects
        self.cmos = part == "65C02"
        self.magic = magic
        self.instruct: list[Callable[[Any], None]] = handlers(part, spare == "operand")[0]
        self.pc = self.a = self.x = self.y = self.n = self.v = self.c = self.d = 0
        self.sp, self.z, self.i = 0xFF, 1, 4
        self.at = self.began = self.first = self.masked = 0
        self.odd: list[tuple[int, int, int]] = []
        self.should = [DOUBTFUL] * len(rows)
        self.wrote = [0] * len(rows)
        self.instead: Mapping[int, int] = {}
        self.doubt = self.waiting = self.halted = False
        self.polls: tuple[int, ...] | None = None
        self.due: str | None = None

    def grow(self) -> None:
        """Rows have come."""
        self._end = len(self._rows)
        self.should += [DOUBTFUL] * (self._end - len(self.should))
        self.wrote += [0] * (self._end - len(self.wrote))

    # state ------------------------------------------------------------------------------------------------------------

    def save(self) -> State:
        """Between two instructions."""
        return (
            self.at, self.pc, self.a, self.x, self.y, self.sp,
            self.n, self.v, self.z, self.c, self.d, self.i, int(self.waiting),
        )  # fmt: skip

    def load(self, state: State) -> None:
        """Take it back."""
        (
            self.at, self.pc, self.a, self.x, self.y, self.sp,
            self.n, self.v, self.z, self.c, self.d, self.i, waiting,
        ) = state  # fmt: skip
        self.waiting, self.halted = bool(waiting), False
        self.odd, self.doubt = [], False

    # what the texts call ----------------------------------------------------------------------------------------------

    def read_cycle(self, address: int, kind: Kind) -> int:
        """One read."""
        row = self.at
        if row >= self._end:
            raise Ended
        if self._seen[row] != address:
            address = self._look(row, address) & 0xFFFF
            row = self.at
        self.should[row] = address
        self.began = row
        self.at = row + 1
        byte = self._taken[row]
        if byte < 0 or self.instead:
            return self._guess(row, address)
        return byte

    def write_cycle(self, address: int, value: int, kind: Kind = Kind.DATA) -> None:
        """One write."""
        row = self.at
        if row >= self._end:
            raise Ended
        if self._seen[row] != address | WRITE_BIT:
            address = self._look(row, address | WRITE_BIT) & 0xFFFF
            row = self.at
        self.should[row], self.wrote[row] = address | WRITE_BIT, value
        rows = self._rows
        if (rows.bytes[row] ^ value) & rows.known[row] and not self.doubt:  # else it may come of what nobody knows
            if not self.odd or self.odd[-1][0] != row:
                self.odd.append((row, address | WRITE_BIT, value))
            else:
                self.odd[-1] = (row, address | WRITE_BIT, value)
        self.began = row
        self.at = row + 1

    def choose_vector(self) -> int:
        """The vector that the capture shows: the flags come first, then both of its bytes, of which one may be misread.

        Where the addresses show either, what memory holds there tells.
        """
        rows, first = self._rows, self.at + 1
        price = dict[int, tuple[int, int]]()
        for vector in (IRQ_VECTOR, NMI_VECTOR):
            lines = bytes_ = 0
            for row in range(first, min(first + 2, self._end)):
                address = vector + row - first
                held = self.expects(address)
                lines += ((rows.words[row] ^ address) & rows.masks[row] & 0xFFFF).bit_count()
                bytes_ += held is not None and (held ^ rows.bytes[row]) & rows.known[row] != 0
            price[vector] = lines, bytes_
        return NMI_VECTOR if price[NMI_VECTOR] < price[IRQ_VECTOR] else IRQ_VECTOR

    def vector_fetched(self, vector: int) -> None:
        """A sequence is over."""

    @property
    def last_cycle_stalled(self) -> bool:
        """RDY held the last cycle."""
        row = self.at - 1
        return self.may_stall and row > 0 and self._rows.seen[row] == self._rows.seen[row - 1]

    def stop(self) -> None:
        """STP."""
        self.halted = True

    def jam(self, code: int) -> None:
        """An opcode that locks the sequencer up."""
        self.halted = True

    # instructions -----------------------------------------------------------------------------------------------------

    def fetch(self) -> int:
        """The cycle that fetches an opcode, with SYNC."""
        row = self.at
        if row >= self._end:
            raise Ended
        wanted = self.pc | SYNC_BIT if self._rows.has_sync else self.pc
        if self._seen[row] != wanted:
            self._look(row, self.pc | SYNC_BIT)
            row = self.at
        self.should[row] = self.pc | SYNC_BIT
        self.first = self.began = row
        self.at = row + 1
        byte = self._taken[row]
        code = self._guess(row, self.pc) if byte < 0 or self.instead else byte
        self.pc = self.pc + 1 & 0xFFFF
        return code

    def step(self) -> int:
        """One instruction; its opcode."""
        code = self.fetch()
        self.instruct[code](self)
        return code

    def interrupt(self) -> None:
        """The sequence of an interrupt."""
        pc = self.pc
        self.fetch()
        self.pc = pc
        self.read_cycle(pc, Kind.INTERRUPT)
        self.enter_handler(0, Kind.INTERRUPT)
        self.waiting = False

    def reset(self) -> None:
        """The sequence of RESET, whatever PC was."""
        words = self._rows.words
        self.pc = words[self.at] & 0xFFFF
        self.at += 2
        self.sp = words[min(self.at, self._end - 1)] & 0xFF
        self.at += 3
        self.sp = self.sp - 3 & 0xFF
        self.fetch_vector(RESET_VECTOR, Kind.RESET)
        self.waiting = False

    # where the capture does not say the same --------------------------------------------------------------------------

    def _look(self, row: int, word: int) -> int:
        """A cycle is not whole what it should be: pass over rows in which RDY holds it, and note what differs.

        Gives the word; as captured where it may come of a byte that is not known.
        """
        rows, first = self._rows, row
        if self.may_stall and row and not word & WRITE_BIT:
            while row + 1 < self._end and rows.held[row]:
                row += 1
            again = rows.seen[row - 1]
            if again != DOUBTFUL and (word ^ again) & (0xFFFF | WRITE_BIT) and self._was(row - 1):
                while row + 1 < self._end and rows.seen[row] == again:
                    row += 1
            self.at = row
            self.should[first:row] = [DOUBTFUL] * (row - first)
        if not rows.apart(row, word):
            return word
        if self.doubt and not (rows.words[row] ^ word) & rows.masks[row] & ~0xFFFF:
            return rows.words[row] & rows.masks[row] & 0xFFFF | word & ~(rows.masks[row] & 0xFFFF)
        self.odd.append((row, word, DOUBTFUL))
        return word

    def _was(self, row: int) -> bool:
        return row == self.began and (not self.odd or self.odd[-1][0] != row)

    def _guess(self, row: int, address: int) -> int:
        """Of a byte that is not known whole, or that is to be another."""
        instead = self.instead.get(row)
        if instead is not None:
            return instead
        byte = self._taken[row]
        if byte >= 0:
            return byte
        known, expected = self._rows.known[row], self.expects(address)
        if expected is None:
            self.doubt = True
            expected = 0
        return self._rows.bytes[row] & known | expected & ~known & 0xFF
