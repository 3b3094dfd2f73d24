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
STATE_FILE = "measured.json"


@attrs.frozen
class SuspectOptions:
    """What the command line says; None: nothing."""

    pairs: int | None = None
    seed: int | None = None
    kinds: str | None = None
    programs: str | None = None
    outside: int | None = None
    session: Path | None = None


def measure_suspect(asked: SuspectOptions, *, as_json: bool) -> None:
    """Measure and print.

    Raises:
        SimkitError: an option says something that cannot be.
        typer.Exit: Ctrl-C ended it; what was measured is told and kept.
    """
    from simkit.commands.long_run import LongRun
    from simkit.measure.played import PLAYED
    from simkit.measure.suspect_table import as_dict, keep, kept, table
    from simkit.measure.suspects import measured
    from simkit.measure.symptoms import KINDS

    kinds = _names("--kinds", asked.kinds, list(KINDS))
    programs = _names("--programs", asked.programs, list(PLAYED))
    pairs = counted("--pairs", asked.pairs, PAIRS, 1)
    seed = counted("--seed", asked.seed, SEED, 0)
    outside = None if asked.outside is None else counted("--outside", asked.outside, 0, 0)
    said = {"kinds": kinds, "programs": programs, "pairs": pairs, "seed": seed, "outside": outside}
    file = None if asked.session is None else _folder(asked.session) / STATE_FILE
    tried = kept(file, said) if file is not None else []
    began = last = time.monotonic()
    with LongRun("the search is measured") as run:
        try:
            for one in measured(
                programs,
                pairs,
                seed,
                kinds,
                lambda part, _: run.goes_on(part),
                known=tuple(tried),
                session=asked.session,
                most_outside=outside,
            ):
                tried.append(one)
                if file is not None and time.monotonic() - last > KEEP_SECONDS:
                    keep(file, said, tried)
                    last = time.monotonic()
        finally:
            if file is not None:
                keep(file, said, tried)
    took = time.monotonic() - began
    if as_json:
        say_json(as_dict(tried, kinds, seed) | {"seconds": took, "whole": not run.stopped})
    else:
        say(*table(tried, kinds), "", f"Seed {seed}, {len(tried)} faults put in, {took:.0f} s in this run.")
    if run.stopped:
        how = f"What was measured is kept in {asked.session}: the same command goes on." if file else "Nothing is kept."
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
