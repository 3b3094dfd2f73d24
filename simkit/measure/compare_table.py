"""What was measured of comparing, for people and for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import attrs

from simkit.measure.compares import BIT_ERRORS, CYCLES, Compared

SHOWN = 12
"""Misses that are listed of each analyser."""
HOW = f"Captures of {CYCLES} cycles: 1 % of the samples missing, a clock half a percent off, jitter of 2 ns, pulses."


@attrs.frozen
class _Counts:
    """What came out by one analyser.

    Attributes:
        sound: captures of sound machines.
        alarms: of them those of which something is told.
        shown: captures with a fault that shows.
        missed: of them those whose first disagreement is another cycle, or none.
        unseen: captures with a fault that does not show.
        told: of them those of which something is told all the same.
    """

    sound: int
    alarms: list[Compared]
    shown: int
    missed: list[Compared]
    unseen: int
    told: int

    @classmethod
    def of(cls, found: Sequence[Compared]) -> _Counts:
        sound = [each for each in found if not each.fault]
        shown = [each for each in found if each.fault and each.shown is not None]
        unseen = [each for each in found if each.fault and each.shown is None]
        return cls(
            len(sound),
            [each for each in sound if each.told is not None],
            len(shown),
            [each for each in shown if each.told != each.shown],
            len(unseen),
            sum(each.told is not None for each in unseen),
        )

    @property
    def exact(self) -> int:
        """Captures with a fault whose first disagreement is the very cycle."""
        return self.shown - len(self.missed)


def table(found: Sequence[Compared]) -> list[str]:
    """Lines for people."""
    lines = [HOW]
    for wrong in BIT_ERRORS:
        counts = _Counts.of([each for each in found if each.bit_errors == wrong])
        lines += [
            "",
            f"With a wrong bit in {wrong:.0%} of the cycles:" if wrong else "Without wrong bits:",
            f"  Sound machines: {len(counts.alarms)} alarms in {counts.sound} captures.",
            f"  With a fault that shows: the first disagreement is the very cycle in {counts.exact} of {counts.shown}.",
            f"  With one that does not show: {counts.unseen}, of which {counts.told} were told all the same.",
            *(_line(each) for each in (*counts.alarms, *counts.missed)[:SHOWN]),
        ]
    return lines


def as_dict(found: Sequence[Compared]) -> dict[str, Any]:
    """The same for programs, with every miss."""
    rows = []
    for wrong in BIT_ERRORS:
        counts = _Counts.of([each for each in found if each.bit_errors == wrong])
        rows.append(
            {
                "bit_errors": wrong,
                "sound": counts.sound,
                "alarms": [attrs.asdict(each) for each in counts.alarms],
                "shown": counts.shown,
                "exact": counts.exact,
                "missed": [attrs.asdict(each) for each in counts.missed],
                "not_shown": counts.unseen,
                "not_shown_but_told": counts.told,
            }
        )
    return {"cycles": CYCLES, "analysers": rows}


def _line(one: Compared) -> str:
    if not one.fault:
        return f"    seed {one.seed}, {one.machine}: an alarm at cycle {one.told}"
    told = "nothing told" if one.told is None else f"told at cycle {one.told}"
    return f"    seed {one.seed}, {one.fault}: shows at cycle {one.shown}, {told}"
