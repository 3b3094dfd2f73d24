"""`simkit bench --compare`: false alarms of `simkit compare`, and whether its first disagreement is the very cycle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from simkit.commands import exits
from simkit.commands.bench_suspect import counted
from simkit.commands.say import say, say_json

if TYPE_CHECKING:
    from simkit.measure.compares import Compared

SOUND, FAULTED, SEED = 200, 80, 1
SHOWN = 12
"""Misses that are listed."""


def measure_compare(captures: int | None, seed: int | None, *, as_json: bool) -> None:
    """Measure and print.

    Raises:
        typer.Exit: Ctrl-C ended it; what was measured is told.
    """
    import attrs

    from simkit.commands.long_run import LongRun
    from simkit.measure.compares import CYCLES, compared

    sound, faulted = counted("--pairs", captures, SOUND, 1), counted("--pairs", captures, FAULTED, 1)
    first = counted("--seed", seed, SEED, 0)
    with LongRun("comparing is measured") as run:
        found = list(compared(first, sound, faulted, run.goes_on))
    alarms = [each for each in found if not each.fault and each.told is not None]
    shown = [each for each in found if each.fault and each.shown is not None]
    unseen = [each for each in found if each.fault and each.shown is None]
    missed = [each for each in shown if each.told != each.shown]
    if as_json:
        say_json(
            {
                "cycles": CYCLES,
                "sound": sum(not each.fault for each in found),
                "alarms": [attrs.asdict(each) for each in alarms],
                "shown": len(shown),
                "exact": len(shown) - len(missed),
                "missed": [attrs.asdict(each) for each in missed],
                "not_shown": len(unseen),
                "not_shown_but_told": sum(each.told is not None for each in unseen),
            }
        )
    else:
        say(
            f"Captures of {CYCLES} cycles with 1 % bit errors, 1 % of the samples missing, a clock half a percent off, "
            "jitter of 2 ns and pulses.",
            f"Sound machines: {len(alarms)} alarms in {sum(not each.fault for each in found)} captures.",
            f"With a fault that shows: the first disagreement is the very cycle in {len(shown) - len(missed)} of "
            f"{len(shown)}.",
            f"Faults that do not show in the capture: {len(unseen)}, of which "
            f"{sum(each.told is not None for each in unseen)} were told of all the same.",
            *(_line(each) for each in (*alarms, *missed)[:SHOWN]),
        )
    if run.stopped:
        raise typer.Exit(exits.INTERRUPTED)


def _line(one: Compared) -> str:
    if not one.fault:
        return f"  seed {one.seed}, {one.machine}: an alarm at cycle {one.told}"
    told = "nothing told" if one.told is None else f"told at cycle {one.told}"
    return f"  seed {one.seed}, {one.fault}: shows at cycle {one.shown}, {told}"
