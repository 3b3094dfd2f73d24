"""One symptom held against all candidates."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

NOT_FIRST = 0.01
"""By how much what is not among the first is farther behind than what is."""


@attrs.frozen
class Judged:
    """How candidates fit one symptom.

    Attributes:
        behind: by name how far it is behind the best one, in units of what chance does; up to 1 it is among the first.
            Where some have the same runs, and nothing but runs tells of them, the first of these stands for all.
        words: by name how it fits.
        misfit: why none of them explains the symptom, in a sentence; "" where one does.
    """

    behind: Mapping[str, float]
    words: Mapping[str, str]
    misfit: str
