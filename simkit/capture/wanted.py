"""Which channels of a file are wanted: a reader asks when it knows them all."""

from __future__ import annotations

from collections.abc import Callable, Sequence

Chooser = Callable[[Sequence[str]], Sequence[int]]
"""Given the names of all channels, the indices of those to be read."""


def every_channel(names: Sequence[str]) -> Sequence[int]:
    """All of them."""
    return range(len(names))
