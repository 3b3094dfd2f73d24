"""`simkit bench --suspect`: how well the search finds a fault."""

from __future__ import annotations

import time
from pathlib import Path

import attrs
import typer

from simkit.commands import exits
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError, near

PAIRS, SEED = 300, 1
MOST_PAIRS = 100_000
KEEP_SECONDS = 20.0
"""How often what was tried is kept, besides at the end."""
STATE_FILE, MISSES_FILE = "measured.json", "misses.txt"


@attrs.frozen
class SuspectOptions:
    """What the command line says; None: nothing."""

    pairs: int | None = None
    seed: int | None = None
    kinds: str | None = None
    programs: str | None = None
    outside: int | None = None
    session: Path | None = None
    outside_seed: int | None = None


def measure_suspect(asked: SuspectOptions, *, as_json: bool) -> None:
    """Measure and print.

    Raises:
        SimkitError: an option says something that cannot be.
        typer.Exit: Ctrl-C ended it; what was measured is told and kept.
    """
    from simkit.commands.long_run import LongRun
    from simkit.measure.played import PLAYED
    from simkit.measure.suspect_state import keep, keep_misses, kept
    from simkit.measure.suspect_table import as_dict, table
    from simkit.measure.suspects import Asked, Measurement, Record, judgements
    from simkit.measure.symptoms import KINDS

    wanted = Asked(
        programs=tuple(_names("--programs", asked.programs, list(PLAYED))),
        pairs=counted("--pairs", asked.pairs, PAIRS, 1),
        seed=counted("--seed", asked.seed, SEED, 0),
        kinds=tuple(_names("--kinds", asked.kinds, list(KINDS))),
        most_outside=None if asked.outside is None else counted("--outside", asked.outside, 0, 0),
        outside_seed=None if asked.outside_seed is None else counted("--outside-seed", asked.outside_seed, 0, 0),
    )
    folder = None if asked.session is None else _folder(asked.session)
    records: list[Record] = [] if folder is None else kept(folder / STATE_FILE, wanted)
    began = last = time.monotonic()
    with LongRun("the search is measured") as run:
        measurement = Measurement(wanted, lambda part, _: run.goes_on(part), known=records, session=folder)
        try:
            for record in measurement.records():
                records.append(record)
                if folder is not None and time.monotonic() - last > KEEP_SECONDS:
                    keep(folder / STATE_FILE, wanted, records)
                    last = time.monotonic()
        finally:
            if folder is not None:
                keep(folder / STATE_FILE, wanted, records)
    took = time.monotonic() - began
    judged = judgements(records)
    if folder is not None:
        keep_misses(folder / MISSES_FILE, judged, wanted)
    if as_json:
        say_json(as_dict(judged, wanted) | {"seconds": took, "whole": not run.stopped})
    else:
        summary = f"Seed {wanted.seed}, {len(judged)} symptoms judged, {took:.0f} s in this run."
        say(*table(judged, wanted, whole=not run.stopped), "", summary)
        if folder is not None:
            say(f"What was missed, with what the search said, is in {folder / MISSES_FILE}.")
    if run.stopped:
        how = f"What was measured is kept in {folder}: the same command goes on." if folder else "Nothing is kept."
        say(f"Not all was measured. {how}", error=True)
        raise typer.Exit(exits.INTERRUPTED)


def _names(option: str, text: str | None, there: list[str]) -> list[str]:
    if text is None:
        return there
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in there:
            raise SimkitError(f"{option}: there is no {name!r}.", remedy=near(name, there))
    return [name for name in there if name in names]


def counted(option: str, value: int | None, usual: int, least: int) -> int:
    """A number of the command line, or the usual one.

    Raises:
        SimkitError: it cannot be.
    """
    if value is None:
        return usual
    if not least <= value <= MOST_PAIRS:
        raise SimkitError(f"{option} {value}: {least} to {MOST_PAIRS} can be.", remedy="Write another number.")
    return value


def _folder(path: Path) -> Path:
    if not path.is_dir():
        raise SimkitError(f"--session {path}: there is no such folder.", remedy=f"Make it: mkdir {path}")
    return path
