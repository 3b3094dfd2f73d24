"""`simkit check`: what the hardware will choke on, before the ROM is burned."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_text, say_written

if TYPE_CHECKING:
    from simkit.check.result.notes import Noted
    from simkit.machine.again import Again

DEFAULT_FOR = "2s"
MOST_POWER_UPS = 1_000
SHARE_OF_CHECK = 0.1
"""Of the progress, where many power-ups follow."""
_NOT_LOOKED = (
    "It was not run over further power-ups: that is done when the run came to its end, with the program in its code."
)

HELP = help_text(
    "Check ROM and machine before burning: the image without a run, then a run from power-on that looks at every bus "
    "cycle.",
    "Each finding says what, where (source line, address, label, cycle), why it bites on hardware and what to do. "
    "Findings that are meant to be go into a file accepted.toml beside the machine, each with a reason; "
    "`simkit explain RULE` tells the story of a rule. With --one-line each is a line as compilers write them, for "
    "editors; what is no finding goes to standard error. Exit code 1 when findings are left. Ctrl-C ends the run "
    "and reports what was found up to there.",
    "With --power-ups the program is run so often from power-on, with other contents of memories, registers, phases of "
    "crystals and levels of lines that nobody drives, and with --parts with other parts; where something else is "
    "shown, sent or found, that is put down by experiment to the byte, flag or phase on which it hangs. Takes as long "
    "as so many runs, and some 30 more for each thing that is found.",
    "The run does what the options say (--type, --pad, or --replay of a recording made by run --record): only what is "
    "executed can be watched.",
    "--time tells where the time of that run went: cycles of routines, handlers and source lines, how long interrupts "
    "waited and what kept them, and frames missed. A frame is missed when the program has not read the status of the "
    "screen's card between the end of the frame before and its own, or, with --each-frame LABEL, has not passed the "
    "label; frames count from the second in which it has. --svg draws who called whom, a box a routine, as wide as "
    "its cycles.",
    MOMENTS,
    examples=(
        "simkit check my-machine",
        'simkit check my-machine --for 10s --type "help\\n@2s" --pad "1=start@3s..3.2s"',
        "simkit check my-machine --replay evening.rec",
        "simkit check my-machine --one-line",
        "simkit check my-machine --power-ups 32 --parts",
        "simkit check my-machine --sarif check.sarif",
        "simkit check my-machine --for 5s --time --each-frame main_loop --svg time.svg",
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
    power_ups: Annotated[
        int | None,
        typer.Option(
            "--power-ups", min=2, max=MOST_POWER_UPS, metavar="N", help="Also run it over N power-ups: luck? Try 32."
        ),
    ] = None,
    parts: Annotated[
        bool, typer.Option("--parts", help="And with other parts of CPU and cards, where sources leave that open.")
    ] = False,
    time: Annotated[
        bool, typer.Option("--time", help="Tell where the time went, and how long interrupts waited.")
    ] = False,
    each_frame: Annotated[
        str | None,
        typer.Option("--each-frame", metavar="LABEL", help="With --time: the program passes this once a frame."),
    ] = None,
    svg: Annotated[
        Path | None, typer.Option("--svg", metavar="FILE", help="With --time: draw who called whom.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Check a machine (see HELP)."""
    from simkit.check.result.lines import one_line_report
    from simkit.check.result.report import report_text
    from simkit.check.result.sarif import REPORT, sarif_text
    from simkit.check.run import check as check_machine
    from simkit.commands.check_time import Timing
    from simkit.commands.long_run import LongRun
    from simkit.commands.taped_run import start_replay
    from simkit.contract.errors import SimkitError
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole

    if parts and power_ups is None:
        raise SimkitError("--parts comes with --power-ups.", remedy="Write --power-ups 32 --parts.")
    if as_json and one_line:
        raise SimkitError("--json and --one-line are two forms of one report.", remedy="Leave one out.")
    if sarif is not None:
        check_output(sarif, what="SARIF report", known=REPORT, force=force)
    timing = Timing(time=time, each_frame=each_frame, svg=svg, one_line=one_line, sarif=sarif, force=force)
    loaded = options.load(tell_notes=False)  # the report does
    goal, script = running.begin(loaded, DEFAULT_FOR)
    cycles = goal.limit
    player = start_replay(loaded, replay, script) if replay is not None else None
    if player is not None and (running.length is None or not goal.is_time):
        cycles = player.recording.cycles if goal.is_time else max(cycles, player.recording.cycles)
    timing.begin(loaded)
    with LongRun(loaded.description.name) as run:
        share = 1 if power_ups is None else SHARE_OF_CHECK

        def besides(again: Again) -> tuple[list[Noted], str]:
            from simkit.luck.finding import owed_to_luck

            assert power_ups is not None
            return owed_to_luck(
                again,
                again.cycle,
                power_ups=power_ups,
                parts=parts,
                goes_on=lambda part: run.goes_on(share + (1 - share) * part),
            )

        result = check_machine(
            loaded,
            seconds=Fraction(cycles) / loaded.description.clock_hz,
            accepted=accepted,
            player=player,
            goes_on=lambda part: run.goes_on(share * part),
            left=lambda: goal.left,
            besides=besides if power_ups is not None else None,
            over=timing.end,
        )
        result.stopped = result.stopped or run.stopped
    if power_ups is not None and not any("power-ups" in remark for remark in result.remarks):
        result.remarks.append(_NOT_LOOKED)
    missed = [] if result.stopped else goal.missed()
    result.remarks += [*script.not_given(), *missed]
    if sarif is not None:
        say_written(write_whole(sarif, sarif_text(result), what="SARIF report", known=REPORT, force=force))
    timing.draw()
    elsewhere = any(path is not None and is_stdout(path) for path in (sarif, svg))
    if as_json:
        say_json(result.as_dict() | timing.as_dict() | missed_as_dict(goal, script), error=elsewhere)
    elif one_line:
        places = ((card.slot, card.place("")) for card in loaded.description.cards)
        found, rest = one_line_report(result, {slot: (place.file, place.line) for slot, place in places})
        if found:
            say(*found, error=elsewhere)
        say(*rest, error=True)
    else:
        say_text(report_text(result) + timing.text(), error=elsewhere)
    if result.stopped:
        raise typer.Exit(exits.INTERRUPTED)
    if result.open or missed or (player is not None and player.difference is not None):
        raise typer.Exit(exits.FOUND)
