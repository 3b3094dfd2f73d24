"""Where the led CPU is in a capture, and all that was told of it up to there; what finds its way in it shares this."""

from __future__ import annotations

from simkit.compare.fed import Fed
from simkit.compare.followed import Difference
from simkit.compare.led_cpu import LedCpu, State
from simkit.compare.rows import DOUBTFUL, Rows
from simkit.compare.worlds import ALL, Ways
from simkit.machine.machine import Machine


class Lost(Exception):  # noqa: N818 - a signal, not an error
    """The CPU is no longer in step.

    Attributes:
        fetch: word with which it fetches an opcode for certain where the capture shows another; None: not so.
    """

    def __init__(self, fetch: int | None = None) -> None:
        super().__init__()
        self.fetch = fetch


class Track:
    """A capture that is followed.

    Args:
        machine: as it should be; it is left alone.
        rows: of the capture, with those that are missing.

    Attributes:
        rows, cpu, ways, fed, cells: of the capture, and what it is followed with.
        start: PC after RESET where the machine's file says it.
        unknown: registers that no cycle has shown yet.
        earlier: the same before the instruction under way.
        before: state before the instruction that was made last, and what was unknown in it.
        misread_rows: of that instruction, rows in which the CPU took the card's byte, and not the captured one.
        odd: of that instruction, rows in which the capture shows another cycle.
        pending: bytes that differ of which nothing has told yet which one the CPU took, and the state before them.
        expected, agreed, slots, offsets, starts, masked, decodings, differences, parts: as of `Followed`, row by row.
    """

    def __init__(self, machine: Machine, rows: Rows) -> None:
        self.rows, self.fed = rows, Fed(machine)
        self.cells = self.fed.cells
        options = machine.description.cpu_options
        self.cpu = LedCpu(
            machine.description.cpu,
            rows,
            self.cells.likely,
            spare=options.indexed_store_spare,
            magic=options.magic,
            stalls=machine.bus.may_stall,
        )
        self.start = machine.cpu.start
        self.ways = Ways(self.cpu, rows, machine.description.cpu, self.cells)
        self.unknown: frozenset[str] = ALL
        self.earlier: frozenset[str] = ALL
        self.before: tuple[State, frozenset[str]] | None = None
        self.misread_rows: set[int] = set()
        self.odd: dict[int, Difference] = {}
        self.pending: list[tuple[Difference, State, frozenset[str]]] = []
        self.expected: list[int] = []
        self.agreed: list[int] = []
        self.slots: list[int] = []
        self.offsets: list[int] = []
        self.starts: list[tuple[int, int]] = []
        self.masked: list[int] = []
        self.decodings = [(0, self.fed.decoding, self.cells.is_certain)]
        self.differences: list[Difference] = []
        self.parts: list[tuple[int, int]] = []
        self.grow()

    def grow(self) -> None:
        """Rows have come."""
        more = len(self.rows) - len(self.expected)
        self.expected += [DOUBTFUL] * more
        self.agreed += [0xFF] * more
        self.slots += [-1] * more
        self.offsets += [0] * more
        self.cpu.grow()

    @property
    def from_middle(self) -> bool:
        """Whether registers were first told by the capture alone, and not by RESET."""
        return self.fed.began is None or bool(self.parts)

    def note_decoding(self, row: int) -> None:
        """Remember how addresses are decoded from a row on."""
        if self.decodings[-1][1:] != (self.fed.decoding, self.cells.is_certain):
            self.decodings.append((row, self.fed.decoding, self.cells.is_certain))

    def is_seen(self, one: Difference) -> bool:
        """Whether the capture shows the whole address, and it is the CPU's."""
        seen = self.rows.seen[one.row]
        return seen != DOUBTFUL and seen & 0xFFFF == one.address

    def code_at(self, state: State) -> int:
        """Opcode of the instruction at a state; a NOP where it is not known."""
        byte = self.rows.data[state[0]]
        return byte if byte >= 0 else 0xEA

    def replay(self, before: State, unknown: frozenset[str], row: int, instead: dict[int, int]) -> None:
        """Go from a state to a row once more, with other bytes; what is odd in rows from there on stays noted."""
        cpu = self.cpu
        cpu.load(before)
        cpu.instead = instead
        self.unknown = unknown
        try:
            while cpu.at < row:
                self.unknown = self.ways.advance(self.unknown)
        finally:
            cpu.instead = {}
        cpu.odd, cpu.doubt = [each for each in cpu.odd if each[0] >= row], False

    def difference(self, row: int, address: int, pc: int, expected: int, known: int) -> Difference:
        """Of a byte that is read."""
        captured = self.rows.bytes[row]
        return Difference(
            row,
            address,
            pc,
            None,
            0,
            0,
            self.cpu.should[row],
            (expected ^ captured) & known,
            expected,
            captured,
            False,
        )
