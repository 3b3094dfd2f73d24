"""What a rule of the catalogue holds."""

from __future__ import annotations

import attrs

LEVELS = ("error", "warning", "note")
"""error: it will fail; warning: it may; note: good to know, does not count as a finding for the exit code."""


@attrs.frozen(kw_only=True)
class Rule:
    """One rule.

    Attributes:
        name: as findings carry it, small letters and hyphens.
        level: one of LEVELS.
        title: in a few words.
        story: how builders meet it.
        hardware: why it bites on hardware.
        do: what to do in the program or the wiring.
        bench: how to see it with a probe, a meter or a logic analyser.
    """

    name: str
    level: str = attrs.field(validator=attrs.validators.in_(LEVELS))
    title: str
    story: str
    hardware: str
    do: str
    bench: str
