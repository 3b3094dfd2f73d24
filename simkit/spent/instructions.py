"""Bus cycles cut into instructions, in bulk: what begins where, how long it takes, what it does to the stack.

An instruction begins with the first cycle in which the CPU asks for its opcode, also where RDY holds that access, and
ends where the next one begins. An interrupt sequence counts as one, a reset sequence too.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.records import KIND_SHIFT, RECORD_BYTES, REPEAT
from simkit.records.cycles import Cycles, Words, kinds, whole_cycles

LONG = 64
"""Records of an instruction under way from which on those in its middle are dropped: WAI and RDY hold it for long."""
_KEPT = 16


@attrs.frozen(eq=False)
class Instructions:
    """Instructions that follow one another, a row each.

    Attributes:
        cycle: in which each begins; one more for the end of the last.
        kind: of its first cycle: Kind.FETCH, Kind.INTERRUPT_FETCH or Kind.RESET.
        pc: on the address lines then.
        code: byte on the data lines then, the opcode.
        following: (kind, pc) of what comes next.
        accesses: bus cycles without repeats.
        at: where in them each begins.
    """

    cycle: NDArray[np.int64]
    kind: NDArray[np.uint8]
    pc: NDArray[np.int64]
    code: NDArray[np.uint8]
    following: tuple[NDArray[np.uint8], NDArray[np.int64]]
    accesses: Cycles
    at: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.pc)

    @property
    def cycles(self) -> NDArray[np.int64]:
        """How long each takes."""
        return self.cycle[1:] - self.cycle[:-1]

    def words(self, which: NDArray[np.intp], offset: NDArray[np.intp]) -> Cycles:
        """The accesses of some, the one with that number in each; they must be that long."""
        return self.accesses[self.at[which] + offset]

    def under_way(self, cycle: int) -> int:
        """The one under way in a cycle; -1 before the first."""
        return int(np.searchsorted(self.cycle[:-1], cycle, side="right")) - 1


class Cutter:
    """Cuts records into instructions; the one under way at the end of some waits for the next."""

    def __init__(self) -> None:
        self._left: Words = np.zeros(0, np.uint64)

    def add(self, words: Words, since: int) -> Instructions | None:
        """Take bus cycles, without marks.

        Args:
            words: the records, in order.
            since: a cycle near the first one.
        """
        words = np.concatenate((self._left, words))  # a copy, which may be kept
        if not len(words):
            return None
        kind = _kinds(words)
        held = kind & REPEAT != 0
        rows = np.flatnonzero(~held) if held.any() else None
        kept_words, kept = (words, kind) if rows is None else (words[rows], kind[rows])
        at = np.flatnonzero(_begins(kept))
        if len(at) < 2:
            self._left = _shortened(words, kind) if len(words) > LONG else words
            return None
        begins = at if rows is None else np.concatenate(([-1], rows[:-1]))[at] + 1
        self._left = words[begins[-1] :]
        first = Cycles(kept_words[at], since)
        pc, begin_kind = first.address.astype(np.int64), kept[at]
        return Instructions(
            cycle=whole_cycles(words[begins], since).astype(np.int64),
            kind=begin_kind[:-1],
            pc=pc[:-1],
            code=first.data[:-1],
            following=(begin_kind[1:], pc[1:]),
            accesses=Cycles(kept_words[: at[-1]], since),
            at=at[:-1],
        )

    def rest(self, since: int) -> tuple[int, Kind, int] | None:
        """Take out the instruction under way: cycle, kind and address; None: there is none."""
        words, self._left = self._left, self._left[:0]
        kind = kinds(words)
        rows = np.flatnonzero(kind & REPEAT == 0)
        if not len(rows):
            return None
        first = Cycles(words[rows[:1]], since)
        return int(whole_cycles(words[:1], since)[0]), Kind(int(first.kind[0])), int(first.address[0])


def _kinds(words: Words) -> NDArray[np.uint8]:
    """As `simkit.records.cycles.kinds`, of one piece of memory: takes the byte alone."""
    found: NDArray[np.uint8] = words.view(np.uint8)[KIND_SHIFT // 8 :: RECORD_BYTES] & np.uint8(2 * REPEAT - 1)
    return found


def _begins(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """In which cycles, repeats left out, something begins."""
    found: NDArray[np.bool_] = (kind == np.uint8(Kind.FETCH)) | (kind == np.uint8(Kind.INTERRUPT_FETCH))
    resets = kind == np.uint8(Kind.RESET)
    if resets.any():
        resets[1:] &= kind[:-1] != np.uint8(Kind.RESET)
        found |= resets
    return found


def _shortened(words: Words, kind: NDArray[np.uint8]) -> Words:
    """Of one long instruction its first cycle, the accesses that are looked at later, and its last cycle."""
    rows = np.flatnonzero(kind & REPEAT == 0)[:_KEPT]
    kept: Words = words[np.unique(np.concatenate(([0], rows, [len(words) - 1])))]
    return kept
