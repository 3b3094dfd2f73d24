"""Measures where the time goes while a machine runs, from the records of its bus cycles.

watch = SpentWatch(machine); machine.run(seconds=1); spent = watch.stop()
spent = time_spent(machine, seconds=1)    # the same
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.records import DECODING, LINE
from simkit.backplane.vectors import VECTORS
from simkit.check.image.codemap import reached
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.views import Screen
from simkit.records.cycles import Cycles, Words, kinds, marks, whole_cycles
from simkit.spent.calls import Calls
from simkit.spent.frames import FrameCount, StatusReads
from simkit.spent.instructions import Cutter, Instructions
from simkit.spent.requests import CLI, PLP, RTI, SEI, Requests
from simkit.spent.result import Spent, told
from simkit.testing.spots import Spots

_JSR, _RTS, _BRK = 0x20, 0x60, 0x00
_JUMPS = (0x4C, 0x6C, 0x7C)
_SEQUENCE, _RESET = 0x100, 0x101
"""Besides opcodes, what is looked at: an interrupt sequence, a reset sequence."""
_CAUSES = {VECTORS["NMI"]: "NMI", VECTORS["IRQ"]: "IRQ"}
_I = 4

_AT_STACK = {_JSR: 3, _RTS: 4, RTI: 5, _BRK: 2, _SEQUENCE: 2}
"""Access of each, from 0 up, that puts the high byte of a return address on the stack or takes it off.

Source: MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976, appendix A.5.2 to A.5.7.
"""
_AT_FLAGS = {RTI: 3, PLP: 3}
_AT_VECTOR = {_BRK: 5, _SEQUENCE: 5}
_SHIFT = 16
_PIECE_BYTES = 400_000
"""Records that are gone through at a time; as much as most rings hold."""
_Numbers = int | NDArray[np.int64]
"""The number of the decoding, in all of a piece or in each row of it."""


class SpentWatch(Bystander):
    """Measures until `stop`; all cycles that are run, whatever runs them.

    Args:
        machine: may have run already. What it is in the middle of counts to the main program.
        each_frame: label that the main program passes in each frame; None: the status of the screen's card.

    Raises:
        SimkitError: there is no such label.
    """

    def __init__(self, machine: Machine, *, each_frame: str | None = None) -> None:
        self._machine = machine
        self._banks = machine.bus.reach.banks
        self._spots = Spots(machine)
        self._kept_spots: dict[int, int] = {}
        self._passes = None if each_frame is None else machine.labels[each_frame]
        self._jumps = np.isin(np.arange(256), _JUMPS)
        if machine.description.cpu == "6502":
            self._jumps[_JUMPS[2]] = False
        looked_at = np.isin(np.arange(256), (_JSR, _RTS, RTI, _BRK, SEI, CLI, PLP, *_JUMPS))
        self._looked_at = looked_at & (self._jumps | ~np.isin(np.arange(256), _JUMPS))
        self._offsets = [_offsets(table) for table in (_AT_STACK, _AT_FLAGS, _AT_VECTOR)]
        self._known = _called_in(machine, self._spots)
        self._calls = Calls(machine.cycle, self._known)
        self._entries = np.zeros(0x1_0000, bool)
        self._entries[[spot & 0xFFFF for spot in self._known]] = True
        self._requests = Requests(masked=bool(machine.cpu.p & _I))
        self._frames = {screen.slot: FrameCount(machine, screen) for screen in machine.ports(Screen)}
        self._status = {slot: StatusReads(machine, slot) for slot in self._frames} if self._passes is None else {}
        self._cycles: dict[int, NDArray[np.int64]] = {}  # by decoding: cycles at each address
        self._runs: dict[int, NDArray[np.int64]] = {}
        self._sequences = self._total = 0
        self._names: dict[int, str] = {}
        self._begin()
        recording = machine.bus.recording
        lines = [name for name in ("IRQ", "NMI") if name in machine.lines]
        self._names = {recording.line_number(name): name for name in lines}
        self._record = machine.bus.record(self._take, lines=lines, decoding=bool(self._banks.lines))
        self._watch = machine.bus.watchers.add(event=self._event if self._frames else None)
        machine.histories.append(self)

    def stop(self) -> Spent:
        """Take the watch off and tell what was measured."""
        self._record.remove()
        self._watch.remove()
        self._machine.histories.remove(self)
        self._end()
        self._requests.finish()
        return told(
            self._machine,
            self._calls,
            self._requests,
            {
                self._spot(number, at): (int(self._runs[number][at]), int(cycles[at]))
                for number, cycles in self._cycles.items()
                for at in np.flatnonzero(cycles).tolist()
            },
            sequences=self._sequences,
            total=self._total,
            frames=tuple(one.found() for one in self._frames.values()),
        )

    # what the machine tells -------------------------------------------------------------------------------------------

    def about_to_be_another(self) -> None:
        """Cycle numbers begin elsewhere after this."""
        self._machine.bus.recording.catch_up()
        self._end()

    def state_loaded(self, data: bytes, before: int) -> None:
        """It goes on elsewhere."""
        machine = self._machine
        self._calls.go_on(machine.cycle)
        self._requests.go_on(masked=bool(machine.cpu.p & _I))
        for one in self._frames.values():
            one.go_on(machine)
        self._begin()

    def power_cycled(self, before: int) -> None:
        """It goes on in cycle 0."""
        self.state_loaded(b"", before)

    def _event(self, cycle: int, slot: int, name: str) -> None:
        if slot in self._frames:
            self._frames[slot].event(cycle)

    # cycles -----------------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        machine = self._machine
        self._from = self._near = machine.cycle
        self._chunks: list[bytes] = []
        self._held = 0
        self._cutter = Cutter()
        self._decoding = self._banks.number
        self._levels = {name: machine.lines[name].level for name in ("IRQ", "NMI") if name in machine.lines}
        self._numbers: _Numbers = self._decoding
        self._edges: list[int] = []  # of a piece: cycles in which handlers begin and are over
        self._moves: list[tuple[int, str, bool]] = []
        self._decodings: list[tuple[int, int]] = []

    def _end(self) -> None:
        """What is under way is over."""
        machine = self._machine
        self._cut()
        rest = self._cutter.rest(self._near)
        if rest is not None:
            cycle, kind, pc = rest
            if kind == Kind.FETCH:
                self._count(np.array([pc]), np.array([machine.cycle - cycle]), self._decoding)
            else:
                self._sequences += machine.cycle - cycle
        self._calls.finish(machine.cycle)
        self._total += machine.cycle - self._from

    def _take(self, records: memoryview) -> None:
        self._chunks.append(bytes(records))
        self._held += len(records)
        if self._held >= _PIECE_BYTES:
            self._cut()

    def _cut(self) -> None:
        """Go through what has come: what is done once for each piece is dear for small ones."""
        words: Words = np.frombuffer(b"".join(self._chunks), "<u8")
        self._chunks.clear()
        self._held = 0
        is_mark = marks(words)
        if is_mark.any():
            self._take_marks(words[is_mark])
            words = words[~is_mark]
        near = self._near
        if len(words):
            self._near = int(whole_cycles(words[-1:], near)[0])
        piece = self._cutter.add(words, near)
        if piece is not None:
            self._go_through(piece)

    def _take_marks(self, words: Words) -> None:
        kind, cycle = kinds(words), whole_cycles(words, self._near)
        for at in np.flatnonzero((kind == LINE) | (kind == DECODING)).tolist():
            word, when = int(words[at]), int(cycle[at])
            if kind[at] == DECODING:
                self._decodings.append((when, word & 0xFFFF))
            elif (name := self._names.get(word & 0xFFFF)) is not None:
                self._moves.append((when, name, bool(word >> 16 & 0xFF)))

    def _go_through(self, piece: Instructions) -> None:
        end = int(piece.cycle[-1])
        decoding, following = self._decoded(piece, end)
        fetched = piece.kind == Kind.FETCH
        lengths = piece.cycles
        self._sequences += int(lengths[~fetched].sum())
        if isinstance(decoding, int):
            self._count(piece.pc[fetched], lengths[fetched], decoding)
        else:
            for number in sorted(set(decoding.tolist())):
                mine = fetched & (decoding == number)
                self._count(piece.pc[mine], lengths[mine], number)
        self._numbers = decoding
        in_handler = self._calls.in_handler
        self._edges = []
        self._follow(piece, following, end)
        for slot, frames in self._frames.items():
            came = self._came(piece, slot, decoding)
            handled = np.searchsorted(self._edges, came, side="right") % 2 == 1
            frames.add(came, came[handled == in_handler], end)

    def _decoded(self, piece: Instructions, end: int) -> tuple[_Numbers, _Numbers]:
        """The decoding as each begins, and as the next one does."""
        if not self._decodings:
            return self._decoding, self._decoding
        when = np.array([cycle for cycle, _ in self._decodings], np.int64)
        numbers = np.array([self._decoding, *(number for _, number in self._decodings)], np.int64)
        found = numbers[np.searchsorted(when, piece.cycle, side="right")]
        past = int(np.searchsorted(when, end, side="right"))
        self._decoding = int(numbers[past])
        del self._decodings[:past]
        return found[:-1], found[1:]

    def _count(self, pc: NDArray[np.int64], lengths: NDArray[np.int64], number: int) -> None:
        if number not in self._cycles:
            self._cycles[number], self._runs[number] = np.zeros(0x1_0000, np.int64), np.zeros(0x1_0000, np.int64)
        self._cycles[number] += np.bincount(pc, weights=lengths, minlength=0x1_0000).astype(np.int64)
        self._runs[number] += np.bincount(pc, minlength=0x1_0000)

    def _came(self, piece: Instructions, slot: int, decoding: _Numbers) -> NDArray[np.int64]:
        """Cycles in which the program is where it should come in each frame of a screen."""
        if self._passes is not None:
            passing: NDArray[np.int64] = piece.cycle[:-1][piece.pc == self._passes]
            return passing
        if not isinstance(decoding, int):
            number = np.searchsorted(piece.at, np.arange(len(piece.accesses)), side="right") - 1
            decoding = decoding[np.maximum(number, 0)]
        reads = piece.accesses[self._status[slot].among(piece.accesses, decoding)]
        found: NDArray[np.int64] = reads.cycle.astype(np.int64)
        return found

    # what is called and asked for -------------------------------------------------------------------------------------

    def _follow(self, piece: Instructions, following: _Numbers, end: int) -> None:
        """Go through what changes the calls, and through requests, in order."""
        next_kind, next_pc = piece.following
        code = piece.code.astype(np.int64)
        code[piece.kind == Kind.INTERRUPT_FETCH] = _SEQUENCE
        code[piece.kind == Kind.RESET] = _RESET
        given_up = next_kind == Kind.RESET  # it may have been broken off anywhere
        fetched = piece.kind == Kind.FETCH
        wanted = ~fetched | (self._looked_at[piece.code] & fetched & ~given_up)
        self._entries[next_pc[fetched & (code == _JSR) & ~given_up]] = True
        wanted &= ~(fetched & self._jumps[piece.code]) | self._entries[next_pc]
        wanted &= (code != _SEQUENCE) | ~given_up
        rows = np.flatnonzero(wanted)
        code = code[rows]
        tops, flags, vectors = (self._looked_up(piece, rows, code, offsets) for offsets in self._offsets)
        moves = self._due(end)
        calls = self._calls
        begins, ends = piece.cycle[rows].tolist(), piece.cycle[rows + 1].tolist()
        spots = self._spots_of(following, rows, next_pc[rows])
        for what, row, begin, after, target, top, flag, vector in zip(
            code.tolist(),
            rows.tolist(),
            begins,
            ends,
            spots,
            (tops.address & np.uint16(0xFF)).tolist(),
            flags.data.tolist(),
            vectors.address.tolist(),
            strict=True,
        ):
            while moves and moves[-1][0] < after:
                self._moved(piece, *moves.pop())
            if what == _JSR:
                calls.called(target, top, after)
            elif what == _RTS:
                calls.returned(top, target, after)
            else:
                self._happened(what, piece, row, begin, after, target, top, flag, vector)
        while moves:
            self._moved(piece, *moves.pop())

    def _happened(
        self,
        what: int,
        piece: Instructions,
        row: int,
        begin: int,
        after: int,
        target: int,
        top: int,
        flags: int,
        vector: int,
    ) -> None:
        calls, requests = self._calls, self._requests
        was_in_handler = calls.in_handler
        if what in (_SEQUENCE, _BRK):
            cause = _CAUSES.get(vector, "IRQ")
            if what == _BRK and cause == "IRQ":
                cause = "BRK"
            calls.interrupted(cause, target, top, begin)
            requests.handler_begins(cause, target, begin, after)
        elif what == RTI:
            calls.returned(top, target, after)
            requests.handler_returns(self._here(piece, row), flags, after)
        elif what in _JUMPS:
            calls.jumped(target, after)
        elif what == SEI:
            requests.set_by("SEI", self._here(piece, row), after)
        elif what == CLI:
            requests.cleared_by("CLI", self._here(piece, row), after)
        elif what == PLP and flags & _I:
            requests.set_by("PLP", self._here(piece, row), after)
        elif what == PLP:
            requests.cleared_by("PLP", self._here(piece, row), after)
        elif what == _RESET:
            calls.finish(begin)
            requests.reset(begin)
        if calls.in_handler != was_in_handler:
            self._edges.append(begin if what in (_SEQUENCE, _BRK) else after)

    def _due(self, end: int) -> list[tuple[int, str, bool]]:
        """Moves of lines before cycle `end`, the last first; pulses and gaps in which no cycle lies do not count."""
        at_once = {(cycle, name): level for cycle, name, level in self._moves if cycle < end}
        self._moves = [one for one in self._moves if one[0] >= end]
        found = []
        for (cycle, name), level in sorted(at_once.items()):
            if level != self._levels[name]:
                self._levels[name] = level
                found.append((cycle, name, level))
        return found[::-1]

    def _moved(self, piece: Instructions, cycle: int, name: str, level: bool) -> None:
        if level:
            self._requests.rose(name)
            return
        row = piece.under_way(cycle)
        if row < 0 or piece.kind[row] != Kind.FETCH:
            self._requests.fell(name, cycle, -1, 0)
            return
        self._requests.fell(name, cycle, self._here(piece, row), int(piece.cycle[row + 1] - piece.cycle[row]))

    def _here(self, piece: Instructions, row: int) -> int:
        """The spot of an instruction."""
        numbers = self._numbers
        return self._spot(numbers if isinstance(numbers, int) else int(numbers[row]), int(piece.pc[row]))

    def _spots_of(self, numbers: _Numbers, rows: NDArray[np.intp], pc: NDArray[np.int64]) -> list[int]:
        addresses: list[int] = pc.tolist()
        if not self._banks.lines:
            return addresses
        each = [numbers] * len(rows) if isinstance(numbers, int) else numbers[rows].tolist()
        return [self._spot(*one) for one in zip(each, addresses, strict=True)]

    def _spot(self, number: int, pc: int) -> int:
        if not self._banks.lines:
            return pc
        key = number << _SHIFT | pc
        if key not in self._kept_spots:
            self._kept_spots[key] = self._spots.seen(number, pc)
        return self._kept_spots[key]

    def _looked_up(
        self, piece: Instructions, rows: NDArray[np.intp], code: NDArray[np.int64], offsets: NDArray[np.intp]
    ) -> Cycles:
        """Of each of some instructions the access with the number in `offsets` by code; 0 where it matters nothing."""
        return piece.words(rows, offsets[code])


def _offsets(table: dict[int, int]) -> NDArray[np.intp]:
    found = np.zeros(_RESET + 1, np.intp)
    for code, offset in table.items():
        found[code] = offset
    return found


def _called_in(machine: Machine, spots: Spots) -> set[int]:
    """Where JSR goes in what can be read of the program."""
    number = machine.bus.reach.banks.number
    found = set()
    for pc in reached(machine, machine.vectors().values()):
        if machine.peek(pc) == _JSR:
            target = machine.peek(pc + 1 & 0xFFFF) | machine.peek(pc + 2 & 0xFFFF) << 8
            found.add(spots.seen(number, target))
    return found


def time_spent(machine: Machine, *, each_frame: str | None = None, **how: Any) -> Spent:
    """Run a machine and tell where the time went.

    Args:
        machine: may have run already.
        each_frame: label that the main program passes in each frame; None: the status of the screen's card.
        how: how long, as `Machine.run` takes it, e.g. seconds=1 or frames=60.

    Raises:
        SimkitError: there is no such label, or what `Machine.run` raises.
    """
    watch = SpentWatch(machine, each_frame=each_frame)
    try:
        machine.run(**how)
    finally:
        spent = watch.stop()
    return spent
