"""How wide pulses on the inputs of a 6522 are that it samples with PHI2.

A pulse on PB6 (tIPW) or on CB1 as outside shift clock (tICW) must be at least two cycles wide ([WDC] AC
characteristics). That control inputs want the same is from memory. Sources are listed in card.py.
"""

from __future__ import annotations

import attrs

from simkit.contract import CYCLE, many, saved, whole

MEASURED = ("CA1", "CA2", "CB1", "CB2", "PB6")
LEAST_CYCLES = 2
"""[WDC] tIPW and tICW."""

_INDEX = {name: n for n, name in enumerate(MEASURED)}


@attrs.define(eq=False)
class PulseWidths:
    """When each measured pin last moved, and which have been told of."""

    _wide_from: list[int] = saved(many(CYCLE, len(MEASURED)), [0] * len(MEASURED))  # an edge sooner is too soon
    _told: int = saved(whole(0, (1 << len(MEASURED)) - 1), 0)

    def reset(self) -> None:
        """RESET ends what was being measured, and short pulses are told again."""
        self._wide_from = [0] * len(MEASURED)
        self._told = 0

    def too_short(self, name: str, cycle: int) -> bool:
        """A pin moved; returns whether what its last edge began has been too short."""
        n = _INDEX[name]
        short = cycle < self._wide_from[n]
        self._wide_from[n] = cycle + LEAST_CYCLES
        return short

    def tell(self, name: str) -> bool:
        """Whether a short pulse on this pin is still to be told; from now on it is."""
        bit = 1 << _INDEX[name]
        was = self._told
        self._told |= bit
        return not was & bit
