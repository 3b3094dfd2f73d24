"""`simkit coverage`: which instructions of a ROM ran."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import (
    ForceOption,
    JsonOption,
    MachineOptions,
    PadOption,
    TypeOption,
    check_apart,
    help_text,
    takes_machine,
)
from simkit.commands.say import say, say_json, say_written

DEFAULT_FOR = "2s"

HELP = help_text(
    "Run a machine and tell which instructions of its ROMs ran and which branches went both ways.",
    "--save keeps the counts; --merge adds counts of earlier runs and of tests (pytest --simkit-coverage=FILE). "
    "Ctrl-C ends the run and tells what ran up to there.",
    examples=(
        "simkit coverage my-machine --for 5s",
        'simkit coverage my-machine --pad "1=start@1s..1.1s" --html coverage.html',
        "simkit coverage my-machine --for 0c --merge tests.json --html coverage.html",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("coverage", help=HELP)(takes_machine(coverage))


def coverage(
    options: MachineOptions,
    length: Annotated[
        str, typer.Option("--for", metavar="TIME", help="Machine time to run: 0.5s, 120f, 5000c.")
    ] = DEFAULT_FOR,
    typed: TypeOption = None,
    pad: PadOption = None,
    merge: Annotated[
        list[Path] | None, typer.Option("--merge", metavar="FILE", help="Add the counts of this file. Repeatable.")
    ] = None,
    save: Annotated[Path | None, typer.Option("--save", metavar="FILE", help="Write the counts.")] = None,
    html: Annotated[Path | None, typer.Option("--html", metavar="FILE", help="Write the annotated listing.")] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure coverage (see HELP)."""
    from simkit.check.run import machine_listing
    from simkit.commands.headless import run_forward
    from simkit.commands.script import schedule_run
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole
    from simkit.testing.coverage import COUNTS, PAGE, Counts, CoverageWatch, as_dict, percent, program_of, table, total
    from simkit.testing.coverage import html as page

    check_apart({"--save": save, "--html": html})
    if save is not None:
        check_output(save, what="coverage counts", known=COUNTS, force=force)
    if html is not None:
        check_output(html, what="page", known=PAGE, force=force)
    earlier = [Counts.from_json(path) for path in merge or []]
    loaded = options.load()
    watch = CoverageWatch(loaded)
    reached = run_forward(loaded, schedule_run(loaded, length, typed or [], pad or []))
    counts = watch.stop()
    for other in earlier:
        counts.add(other)
    program = program_of(loaded, machine_listing(loaded, tuple(options.labels))[0])
    rows = table(counts, program)
    everything = total(rows)
    if save is not None:
        say_written(write_whole(save, counts.to_json(), what="coverage counts", known=COUNTS, force=force))
    if html is not None:
        text = page(counts, program, f"{loaded.description.name}: coverage")
        say_written(write_whole(html, text, what="page", known=PAGE, force=force))
    elsewhere = any(path is not None and is_stdout(path) for path in (save, html))
    if as_json:
        say_json({"total": as_dict([everything])[0], "labels": as_dict(rows)}, error=elsewhere)
    else:
        width = max((len(row.label) for row in rows), default=3)
        say(f"{'from label':<{width}}  at     instructions       branches both ways", error=elsewhere)
        for row in (*rows, everything):
            say(
                f"{row.label:<{width}}  ${row.address:04X}  {row.ran:>4} of {row.instructions:<4} "
                f"{percent(row.ran, row.instructions):>5}  {row.both:>3} of {row.branches}",
                error=elsewhere,
            )
    if not reached:
        raise typer.Exit(exits.INTERRUPTED)
