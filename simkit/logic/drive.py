"""What an output does to the net at its pin."""

from __future__ import annotations

import attrs


@attrs.frozen
class Drive:
    """Where an output drives its net, and the level there (0 elsewhere); tables of bits, one for each case."""

    driven: int
    level: int


NOBODY = Drive(0, 0)
