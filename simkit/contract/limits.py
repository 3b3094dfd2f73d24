"""Limits of the parts on a card that its clock decides over, for the timing budget."""

from __future__ import annotations

import attrs

TINY_NS = 1e-6
"""Sums of binary fractions miss by less."""


@attrs.frozen(kw_only=True)
class Limit:
    """A time that a part on a card must have, and what it gets.

    Attributes:
        what: what is timed, to go on from the card's name: "latch of the pad".
        part: whose limit it is: "CD4021B".
        needs_ns: least time that the part must have, in ns; with `named` it may be 0: the named part's sheet says it.
        cycles: periods of the machine clock that it gets; 0 where the card has an oscillator of its own.
        offset_ns: what it gets besides, in ns, or all that it gets.
        rule: the finding that the card reports where it is broken; "" for none.
        source: where the limit comes from, or "from memory" with what of.
        with_phi2: it begins with the rise of PHI2, as a strobe does.
        is_read: the data that come at its end go to the CPU, which wants them some time before the end of the cycle.
        named: key of [card.timing] by which the part may be named whose highest clock this is; "" for none.
    """

    what: str
    part: str
    needs_ns: float
    cycles: float = 0.0
    offset_ns: float = 0.0
    rule: str = ""
    source: str = ""
    with_phi2: bool = False
    is_read: bool = False
    named: str = ""

    def has_ns(self, period_ns: float) -> float:
        """What the part gets, with a period of the machine clock."""
        return self.cycles * period_ns + self.offset_ns

    def is_broken(self, period_ns: float) -> bool:
        """Whether that is too little."""
        return self.has_ns(period_ns) < self.needs_ns - TINY_NS
