"""Which instructions ran, of the main program with interrupts allowed or forbidden, and of handlers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ALLOWED, FORBIDDEN, HANDLER = 1, 2, 4
_ADDRESSES = 0x1_0000


class Ran:
    """Instructions by address; programs that share addresses are one.

    Attributes:
        how: by address: ALLOWED where the main program began an instruction with interrupts allowed, FORBIDDEN where
            with the flag I set, HANDLER where a handler did.
    """

    def __init__(self) -> None:
        self.how = np.zeros(_ADDRESSES, np.uint8)

    def one(self, pc: int, *, masked: bool, in_handler: bool) -> None:
        """An instruction begins."""
        self.how[pc] |= HANDLER if in_handler else FORBIDDEN if masked else ALLOWED

    def some(self, pcs: NDArray[np.int64], masked: NDArray[np.bool_] | bool, *, in_handler: bool) -> None:
        """Instructions have begun, one after another."""
        if in_handler:
            self.how[pcs] |= HANDLER
        elif isinstance(masked, bool):
            self.how[pcs] |= FORBIDDEN if masked else ALLOWED
        else:
            self.how[pcs[masked]] |= FORBIDDEN
            self.how[pcs[~masked]] |= ALLOWED

    def of(self, *kinds: int) -> list[int]:
        """Addresses of instructions that ran in one of these ways, rising."""
        found: list[int] = np.flatnonzero(self.how & np.uint8(sum(kinds))).tolist()
        return found
