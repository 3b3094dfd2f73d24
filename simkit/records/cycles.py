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

from simkit.backplane.records import CYCLE_SHIFT, DATA_SHIFT, KIND_SHIFT, WRITE

Words = NDArray[np.uint64]
"""Records, one each."""


@attrs.frozen(eq=False)
class Cycles:
    """Bus cycles in order.

    Attributes:
        words: the records.
    """

    words: Words

    @classmethod
    def of(cls, records: memoryview) -> Cycles:
        """Of the memory that a sink gets, which is good only until the sink comes back."""
        return cls(np.frombuffer(records, "<u8"))

    @classmethod
    def joined(cls, chunks: Iterable[bytes]) -> Cycles:
        """Of copies of such memory, in order."""
        return cls(np.frombuffer(b"".join(chunks), "<u8"))

    def __len__(self) -> int:
        return len(self.words)

    def __getitem__(self, which: NDArray[np.bool_] | slice) -> Cycles:
        return Cycles(self.words[which])

    @property
    def cycle(self) -> NDArray[np.uint64]:
        """Number of each cycle."""
        return self.words >> np.uint64(CYCLE_SHIFT)

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
        return (self.words >> np.uint64(KIND_SHIFT)).astype(np.uint8) & np.uint8(WRITE - 1)

    @property
    def is_write(self) -> NDArray[np.bool_]:
        """R/W low."""
        found: NDArray[np.bool_] = (self.words >> np.uint64(KIND_SHIFT)).astype(np.uint8) & np.uint8(WRITE) != 0
        return found
