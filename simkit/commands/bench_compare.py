"""`simkit bench --compare`: false alarms of `simkit compare`, and whether its first disagreement is the very cycle."""

from __future__ import annotations

import typer

from simkit.commands import exits
from simkit.commands.bench_suspect import counted
from simkit.commands.say import say, say_json

SOUND, FAULTED, SEED = 200, 80, 1


def measure_compare(captures: int | None, seed: int | None, *, as_json: bool) -> None:
    """Measure and print.

    Raises:
        typer.Exit: Ctrl-C ended it; what was measured is told.
    """
    from simkit.commands.long_run import LongRun
    from simkit.measure.compare_table import as_dict, table
    from simkit.measure.compares import compared

    sound, faulted = counted("--pairs", captures, SOUND, 1), counted("--pairs", captures, FAULTED, 1)
    first = counted("--seed", seed, SEED, 0)
    with LongRun("comparing is measured") as run:
        found = list(compared(first, sound, faulted, run.goes_on))
    if as_json:
        say_json(as_dict(found))
    else:
        say(*table(found))
    if run.stopped:
        raise typer.Exit(exits.INTERRUPTED)
