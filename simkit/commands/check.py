"""`simkit check`: what the hardware will choke on, before the ROM is burned."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_text, say_written

DEFAULT_FOR = "2s"

HELP = help_text(
    "Check ROM and machine before burning: the image without a run, then a run from power-on that looks at every bus "
    "cycle.",
    "Each finding says what, where (source line, address, label, cycle), why it bites on hardware and what to do. "
    "Findings that are meant to be go into a file accepted.toml beside the machine, each with a reason; "
    "`simkit explain RULE` tells the story of a rule. With --one-line each is a line as compilers write them, for "
    "editors; what is no finding goes to standard error. Exit code 1 when findings are left. Ctrl-C ends the run "
    "and reports what was found up to there.",
    "The run does what the options say (--type, --pad, or --replay of a recording made by run --record): only what is "
    "executed can be watched.",
    MOMENTS,
    examples=(
        "simkit check my-machine",
        'simkit check my-machine --for 10s --type "help\\n@2s" --pad "1=start@3s..3.2s"',
        "simkit check my-machine --replay evening.rec",
        "simkit check my-machine --one-line",
        "simkit check my-machine --sarif check.sarif",
        *(one.format("check") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", help=HELP)(runs_machine(check))


def check(
    options: MachineOptions,
    running: Running,
    replay: ReplayOption = None,
    accepted: Annotated[
        Path | None,
        typer.Option("--accepted", metavar="FILE", help="Accepted findings; accepted.toml beside the machine if not."),
    ] = None,
    sarif: Annotated[
        Path | None, typer.Option("--sarif", metavar="FILE", help="Also write the findings as SARIF 2.1.0.")
    ] = None,
    one_line: Annotated[
        bool,
        typer.Option("--one-line", help="A line a finding: file:line:column: severity: text [rule]."),
    ] = False,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Check a machine (see HELP)."""
    from simkit.check.result.lines import one_line_report
    from simkit.check.result.report import report_text
    from simkit.check.result.sarif import REPORT, sarif_text
    from simkit.check.run import check as check_machine
    from simkit.commands.long_run import LongRun
    from simkit.commands.taped_run import start_replay
    from simkit.contract.errors import SimkitError
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole

    if as_json and one_line:
        raise SimkitError("--json and --one-line are two forms of one report.", remedy="Leave one out.")
    if sarif is not None:
        check_output(sarif, what="SARIF report", known=REPORT, force=force)
    loaded = options.load(tell_notes=False)  # the report does
    goal, script = running.begin(loaded, DEFAULT_FOR)
    cycles = goal.limit
    player = start_replay(loaded, replay, script) if replay is not None else None
    if player is not None and (running.length is None or not goal.is_time):
        cycles = player.recording.cycles if goal.is_time else max(cycles, player.recording.cycles)
    with LongRun(loaded.description.name) as run:
        result = check_machine(
            loaded,
            seconds=Fraction(cycles) / loaded.description.clock_hz,
            accepted=accepted,
            player=player,
            goes_on=run.goes_on,
            left=lambda: goal.left,
        )
    missed = [] if result.stopped else goal.missed()
    result.remarks += [*script.not_given(), *missed]
    if sarif is not None:
        say_written(write_whole(sarif, sarif_text(result), what="SARIF report", known=REPORT, force=force))
    elsewhere = sarif is not None and is_stdout(sarif)
    if as_json:
        say_json(result.as_dict() | missed_as_dict(goal, script), error=elsewhere)
    elif one_line:
        places = ((card.slot, card.place("")) for card in loaded.description.cards)
        found, rest = one_line_report(result, {slot: (place.file, place.line) for slot, place in places})
        if found:
            say(*found, error=elsewhere)
        say(*rest, error=True)
    else:
        say_text(report_text(result), error=elsewhere)
    if result.stopped:
        raise typer.Exit(exits.INTERRUPTED)
    if result.open or missed or (player is not None and player.difference is not None):
        raise typer.Exit(exits.FOUND)
