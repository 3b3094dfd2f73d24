"""`simkit coverage`: which instructions of a ROM ran."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import JsonOption, MachineOptions, PadOption, TypeOption, help_text, takes_machine

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
    as_json: JsonOption = False,
) -> None:
    """Measure coverage (see HELP)."""
    from simkit.check.run import machine_listing
    from simkit.commands.headless import run_forward
    from simkit.commands.script import schedule_run
    from simkit.files.whole import write_whole
    from simkit.testing.coverage import Counts, CoverageWatch, as_dict, percent, program_of, table, total
    from simkit.testing.coverage import html as page

    loaded = options.load()
    watch = CoverageWatch(loaded)
    reached = run_forward(loaded, schedule_run(loaded, length, typed or [], pad or []))
    counts = watch.stop()
    for path in merge or []:
        counts.add(Counts.from_json(path))
    program = program_of(loaded, machine_listing(loaded, tuple(options.labels))[0])
    rows = table(counts, program)
    everything = total(rows)
    if save is not None:
        write_whole(save, counts.to_json())
        print(f"Written: {save}", file=sys.stderr)
    if html is not None:
        write_whole(html, page(counts, program, f"{loaded.description.name}: coverage"))
        print(f"Written: {html}", file=sys.stderr)
    if as_json:
        print(json.dumps({"total": as_dict([everything])[0], "labels": as_dict(rows)}, indent=2))
    else:
        width = max((len(row.label) for row in rows), default=3)
        print(f"{'from label':<{width}}  at     instructions       branches both ways")
        for row in (*rows, everything):
            print(
                f"{row.label:<{width}}  ${row.address:04X}  {row.ran:>4} of {row.instructions:<4} "
                f"{percent(row.ran, row.instructions):>5}  {row.both:>3} of {row.branches}"
            )
    if not reached:
        raise typer.Exit(exits.INTERRUPTED)
