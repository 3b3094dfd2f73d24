"""`simkit coverage`: which instructions of a ROM ran."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, check_apart, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_written

if TYPE_CHECKING:
    from simkit.machinefile.description import Description
    from simkit.testing.coverage import Counts, Program

DEFAULT_FOR = "2s"

HELP = help_text(
    "Run a machine and tell which instructions of its ROMs ran and which branches went both ways.",
    "--html writes a page, --lcov and --cobertura files that editors and code hosts read: they tell of source lines, "
    "so the listing must lie beside the label list.",
    "--save keeps the counts; --merge adds counts of earlier runs and of tests (pytest --simkit-coverage=FILE). "
    "Ctrl-C ends the run and tells what ran up to there.",
    MOMENTS,
    examples=(
        "simkit coverage my-machine --for 5s",
        'simkit coverage my-machine --pad "1=start@1s..1.1s" --html coverage.html',
        "simkit coverage my-machine --for 5s --lcov coverage.info --cobertura coverage.xml",
        "simkit coverage my-machine --for 0c --merge tests.json --html coverage.html",
        *(one.format("coverage") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("coverage", help=HELP)(runs_machine(coverage))


def coverage(
    options: MachineOptions,
    running: Running,
    merge: Annotated[
        list[Path] | None, typer.Option("--merge", metavar="FILE", help="Add the counts of this file. Repeatable.")
    ] = None,
    save: Annotated[Path | None, typer.Option("--save", metavar="FILE", help="Write the counts.")] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Write a page: misses first, annotated listing.")
    ] = None,
    lcov: Annotated[
        Path | None, typer.Option("--lcov", metavar="FILE", help="Write an LCOV tracefile, for editors.")
    ] = None,
    cobertura: Annotated[
        Path | None, typer.Option("--cobertura", metavar="FILE", help="Write a Cobertura report, for code hosts.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure coverage (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole
    from simkit.testing.coverage import COUNTS, Counts, CoverageWatch, as_dict, percent, program_of, table, total
    from simkit.testing.coverage_files import COBERTURA, LCOV, check_source_lines
    from simkit.testing.coverage_page import PAGE

    kinds = {"save": ("coverage counts", COUNTS), "html": ("page", PAGE)}
    kinds |= {"lcov": ("LCOV tracefile", LCOV), "cobertura": ("Cobertura report", COBERTURA)}
    given = {"save": save, "html": html, "lcov": lcov, "cobertura": cobertura}
    outputs = {name: path for name, path in given.items() if path is not None}
    check_apart({f"--{name}": path for name, path in outputs.items()})
    for name, path in outputs.items():
        check_output(path, what=kinds[name][0], known=kinds[name][1], force=force)
    earlier = [Counts.from_json(path) for path in merge or []]
    loaded = options.load()
    listing = loaded.source_lines.listing
    if lcov is not None or cobertura is not None:
        check_source_lines(listing)
    watch = CoverageWatch(loaded)
    goal, script = running.begin(loaded, DEFAULT_FOR)
    reached = run_forward(loaded, goal)
    counts = watch.stop()
    for other in earlier:
        counts.add(other)
    program = program_of(loaded, listing)
    rows = table(counts, program)
    everything = total(rows)
    for name, path in outputs.items():
        text = _written(name, counts, program, loaded.description)
        say_written(write_whole(path, text, what=kinds[name][0], known=kinds[name][1], force=force))
    elsewhere = any(is_stdout(path) for path in outputs.values())
    if as_json:
        found = {"total": as_dict([everything])[0], "labels": as_dict(rows)} | missed_as_dict(goal, script)
        say_json(found, error=elsewhere)
    else:
        width = max((len(row.label) for row in rows), default=3)
        say(f"{'from label':<{width}}  at     instructions       branches both ways", error=elsewhere)
        for row in (*rows, everything):
            say(
                f"{row.label:<{width}}  ${row.address:04X}  {row.ran:>4} of {row.instructions:<4} "
                f"{percent(row.ran, row.instructions):>5}  {row.both:>3} of {row.branches}",
                error=elsewhere,
            )
    leave(goal, script, reached=reached)


def _written(name: str, counts: Counts, program: Program, machine: Description) -> str:
    """Text of the file that an option asks for."""
    from simkit.testing.coverage_files import cobertura, lcov
    from simkit.testing.coverage_page import html

    if name == "save":
        return counts.to_json()
    if name == "html":
        return html(counts, program, f"{machine.name}: coverage", machine.about)
    if name == "lcov":
        return lcov(counts, program, machine.name)
    import time
    from importlib.metadata import version

    return cobertura(counts, program, machine.name, version=version("backplane-simkit"), seconds=int(time.time()))
