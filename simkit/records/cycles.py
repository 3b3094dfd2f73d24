"""Bus cycles as arrays: what `Bus.record` hands on, a column each.

chunks = []
handle = machine.bus.record(lambda memory: chunks.append(bytes(memory)))
machine.run(frames=10)
handle.remove()
cycles = Cycles.joined(chunks)
cycles.address[cycles.is_write]

`recorder.py` does this, and more; marks that others asked for stand among the words.
"""

from __future__ import annotations

from collections.abc import Iterable

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.records import CYCLE_SHIFT, CYCLES, DATA_SHIFT, KIND_SHIFT, LINE, RECORD_BYTES, REPEAT, WRITE

Words = NDArray[np.uint64]
"""Records, one each."""


def whole_cycles(words: Words, since: int) -> NDArray[np.uint64]:
    """Cycles of records, which count them modulo CYCLES.

    Args:
        words: in order; from one to the next the cycle moves by less than half of CYCLES, also when a state is loaded.
        since: a cycle as near to that of the first.
    """
    counted = words >> np.uint64(CYCLE_SHIFT)
    if not len(counted) or (since < CYCLES // 2 and bool((counted[:-1] <= counted[1:]).all())):
        return counted
    now: NDArray[np.int64] = counted.astype(np.int64)
    before = np.concatenate(([np.int64(since % CYCLES)], now[:-1]))
    steps = np.mod(now - before + CYCLES // 2, CYCLES) - CYCLES // 2
    found: NDArray[np.uint64] = (since + np.cumsum(steps)).astype(np.uint64)
    return found


@attrs.frozen(eq=False)
class Cycles:
    """Bus cycles in order.

    Attributes:
        words: the records.
        since: a cycle before the first, near to it.
    """

    words: Words
    since: int = 0

    @classmethod
    def of(cls, records: memoryview, since: int = 0) -> Cycles:
        """Of the memory that a sink gets, which is good only until the sink comes back."""
        return cls(np.frombuffer(records, "<u8"), since)

    @classmethod
    def joined(cls, chunks: Iterable[bytes], since: int = 0) -> Cycles:
        """Of copies of such memory, in order."""
        return cls(np.frombuffer(b"".join(chunks), "<u8"), since)

    def __len__(self) -> int:
        return len(self.words)

    def __getitem__(self, which: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Cycles:
        return Cycles(self.words[which], self.since)

    @property
    def cycle(self) -> NDArray[np.uint64]:
        """Number of each cycle."""
        return whole_cycles(self.words, self.since)

    @property
    def address(self) -> NDArray[np.uint16]:
        """On the address lines."""
        return self.words.astype(np.uint16)

    @property
    def data(self) -> NDArray[np.uint8]:
        """On the data lines at the end of PHI2."""
        return (self.words >> np.uint64(DATA_SHIFT)).astype(np.uint8)

    @property
    def kind(self) -> NDArray[np.uint8]:
        """What the CPU did, as `simkit.backplane.cycle.Kind` numbers it."""
        return kinds(self.words) & np.uint8(WRITE - 1)

    @property
    def is_write(self) -> NDArray[np.bool_]:
        """R/W low."""
        found: NDArray[np.bool_] = kinds(self.words) & np.uint8(WRITE) != 0
        return found

    @property
    def is_repeat(self) -> NDArray[np.bool_]:
        """RDY holds the access; it comes once more in the next cycle."""
        found: NDArray[np.bool_] = kinds(self.words) & np.uint8(REPEAT) != 0
        return found


def marks(words: Words) -> NDArray[np.bool_]:
    """Which of the records, in one piece of memory, are marks."""
    found: NDArray[np.bool_] = words.view(np.uint8)[KIND_SHIFT // 8 :: RECORD_BYTES] & np.uint8(7) >= np.uint8(LINE)
    return found


def kinds(words: Words) -> NDArray[np.uint8]:
    """Kinds of records, with WRITE and REPEAT."""
    return (words >> np.uint64(KIND_SHIFT)).astype(np.uint8) & np.uint8(2 * REPEAT - 1)
