"""What the handlers under way have done to cells, as far as it comes from records: most of it means nothing.

A read by which nothing is decided matters only for a cell that is stored to in the same run of the handler. So the
accesses are kept until somebody must know, and then those that matter are gone through in order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.check.watches.shared import SharedCells
from simkit.check.watches.stores import Stores


class HandlerRun:
    """Keeps accesses of handlers to cells.

    Args:
        shared: who is told of those that matter.
        stores: numbers the cells.
    """

    def __init__(self, shared: SharedCells, stores: Stores) -> None:
        self._shared = shared
        self._keys = stores.keys
        self._kept: list[tuple[NDArray[np.int64], NDArray[np.bool_]]] = []
        self._stored = np.zeros(len(stores.values), bool)

    def add(self, accesses: NDArray[np.int64], deciding: NDArray[np.bool_]) -> None:
        """Keep some.

        Args:
            accesses: a row each: cell, address, byte, 1 for a store, instruction, its opcode.
            deciding: whether the instruction may decide by what it reads.
        """
        self._kept.append((accesses, deciding))

    def tell(self) -> None:
        """Tell those that matter, in order."""
        if not self._kept:
            return
        accesses = np.concatenate([rows for rows, _ in self._kept])
        needed = np.concatenate([deciding for _, deciding in self._kept])
        self._kept.clear()
        cells = accesses[:, 0]
        stored = cells[accesses[:, 3] != 0]
        self._stored[stored] = True
        needed |= self._stored[cells]
        self._stored[stored] = False
        shared = self._shared
        for cell, address, value, is_store, pc, code in accesses[needed].tolist():
            if is_store:
                shared.handler_writes(self._keys(cell), address, value, pc)
            else:
                shared.handler_reads(self._keys(cell), address, pc, shared.effects[code])
