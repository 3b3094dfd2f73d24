"""`simkit compare`: a capture of the real bus beside the machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json, say_written
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.capture.captured import Captured
    from simkit.compare.guessed import Beside
    from simkit.compare.judged import Led
    from simkit.files.formats import Format
    from simkit.machine.machine import Machine

DEFAULT_FOR = "1s"
OTHER_POWER_UPS = 2
"""Further runs of a free-running comparison, which say what is left to chance. Ours."""

HELP = help_text(
    "Compare a logic analyser's capture of the real bus with the machine, and say where they part and what to look at.",
    "With all of A0 to A15, D0 to D7 and RW in the capture the CPU is led by it: it runs on the captured bytes, so "
    "that each cycle tells whether CPU, card or wire was wrong; nothing has to be aligned, and the capture may begin "
    "anywhere. With fewer lines, or with --free, the machine runs for --for with the input given, and the capture is "
    "looked up in that run. --channels names the TOML that says which channel is which line.",
    "From a pipe or a serial port, or with --growing from a file that is still written, cycles are compared as they "
    "come, and each disagreement is told when it is found; `simkit explain captures` says what a bus monitor prints.",
    "--plan tells for an analyser with --channels N channels which lines to clip, what to trigger on and how fast to "
    "sample; --out writes the TOML for it.",
    "--svg or --png draws both waves where they part. Exit code 1 when they disagree. Ctrl-C ends it and tells what "
    "was found up to there.",
    MOMENTS,
    examples=(
        "simkit compare my-machine capture.vcd",
        "simkit compare my-machine capture.csv --channels channels.toml --svg parted.svg",
        "simkit compare my-machine eight-channels.sr --channels channels.toml --for 3s",
        "simkit compare my-machine /dev/ttyUSB0 --baud 1000000",
        "simkit compare my-machine --plan --channels 8 --slot 4 --out channels.toml",
        *(one.format("compare") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare", help=HELP)(runs_machine(compare))


def compare(
    options: MachineOptions,
    running: Running,
    capture: Annotated[Path | None, typer.Argument(metavar="[CAPTURE]", help="What the analyser wrote.")] = None,
    channels: Annotated[
        str | None,
        typer.Option("--channels", metavar="TOML", help="Which channel is which line; with --plan how many there are."),
    ] = None,
    growing: Annotated[
        bool, typer.Option("--growing", help="The file is still written: compare what comes, until Ctrl-C.")
    ] = False,
    baud: Annotated[int, typer.Option("--baud", metavar="N", min=50, help="Of a serial port.")] = 115_200,
    free: Annotated[bool, typer.Option("--free", help="Look it up in a run, also where a CPU could be led.")] = False,
    plan: Annotated[bool, typer.Option("--plan", help="Say which lines to clip, and stop.")] = False,
    slot: Annotated[int | None, typer.Option("--slot", metavar="N", help="The card to look at, for --plan.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="TOML", help="Write the channels, for --plan.")] = None,
    svg: Annotated[
        Path | None, typer.Option("--svg", metavar="FILE", help="Write a picture of both waves where they part.")
    ] = None,
    png: Annotated[Path | None, typer.Option("--png", metavar="FILE", help="The same as PNG.")] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compare (see HELP)."""
    _together(
        plan, {"CAPTURE": capture, "--free": free or None, "--svg": svg, "--png": png}, {"--slot": slot, "--out": out}
    )
    if plan:
        _plan(options, running, _number(channels), slot, out, force=force, as_json=as_json)
        return
    if capture is None:
        raise SimkitError("Which capture is it?", remedy="Name its file after the machine, or ask for --plan.")
    pictures = _Pictures(svg, png, force)
    pictures.check()
    from simkit.capture.read import read_capture
    from simkit.commands.compare_growing import grows
    from simkit.compare.rows import full

    machine = options.load()
    notes: list[str] = []
    channel_file = None if channels is None else Path(channels)
    if growing or grows(capture):
        came = _as_it_comes(machine, capture, channel_file, pictures, baud, as_json=as_json)
        if came is not None:
            _free(options, running, machine, came, pictures, as_json=as_json)
        return
    captured = read_capture(
        capture,
        channel_file,
        lines=machine.lines,
        clock_hz=machine.description.clock_hz,
        notes=notes,
    )
    if notes:
        say(*notes, error=True)
    if not len(captured):
        raise SimkitError(f"There is no bus cycle in {capture}.", remedy="Is PHI2 among its channels, and running?")
    if full(captured) and not free:
        _led(machine, captured, pictures, as_json=as_json)
    else:
        _free(options, running, machine, captured, pictures, as_json=as_json)


def _together(plan: bool, without: dict[str, object], with_plan: dict[str, object]) -> None:
    """Refuse what is given for the other half of the command.

    Args:
        plan: whether a plan is asked for.
        without: what a plan has no use for; None where it was not given.
        with_plan: what is for a plan alone.
    """
    given = [name for name, value in (without if plan else with_plan).items() if value is not None]
    if given and plan:
        raise SimkitError(f"A plan has no use for {given[0]}.", remedy="Leave it out, or leave out --plan.")
    if given:
        raise SimkitError(f"{given[0]} is for a plan.", remedy="Give it with --plan.")


class _Pictures:
    """The pictures that are asked for."""

    def __init__(self, svg: Path | None, png: Path | None, force: bool) -> None:
        self._files = {"--svg": svg, "--png": png}
        self._force = force

    def check(self) -> None:
        """Refuse files that cannot be written, before the work."""
        from simkit.commands.options import check_apart
        from simkit.files.whole import check_output

        there = {option: path for option, path in self._files.items() if path is not None}
        check_apart(there)
        for option, path in there.items():
            check_output(path, what="picture", known=self._format(option), force=self._force)

    @staticmethod
    def _format(option: str) -> Format:
        from simkit.files.png import PICTURE
        from simkit.looks.drawing import SVG

        return SVG if option == "--svg" else PICTURE

    @property
    def elsewhere(self) -> bool:
        """Whether one goes to standard output."""
        from simkit.files.streams import is_stdout

        return any(path is not None and is_stdout(path) for path in self._files.values())

    def write(self, machine: Machine, beside: Beside, row: int | None, words: str) -> None:
        """Draw where they part; where they do not, say so."""
        from simkit.files.whole import write_whole

        asked = {option: path for option, path in self._files.items() if path is not None}
        if not asked:
            return
        if row is None:
            say("There is nothing to draw: they do not part.", error=True)
            return
        from simkit.compare.pictured import both_waves
        from simkit.looks.drawing import svg

        drawing = both_waves(beside, row, f"{machine.description.name}: cycle {row} of the capture", words)
        for option, path in asked.items():
            if option == "--svg":
                content: str | bytes = svg(drawing)
            else:
                from simkit.window.drawn import png

                content = png(drawing)
            say_written(write_whole(path, content, what="picture", known=self._format(option), force=self._force))


def _number(channels: str | None) -> int:
    if channels is None:
        return 8
    if not channels.isdecimal() or not 1 <= int(channels) <= 64:
        raise SimkitError(f"{channels!r} is no number of channels.", remedy="Write --plan --channels 8, say.")
    return int(channels)


def _led(machine: Machine, captured: Captured, pictures: _Pictures, *, as_json: bool) -> None:
    from simkit.commands.long_run import LongRun
    from simkit.compare.judged import led
    from simkit.compare.lines import diagnose
    from simkit.compare.told import as_dict, report

    with LongRun(f"{machine.description.name}, {len(captured)} cycles") as run:
        found = led(machine, captured, lambda row: run.goes_on(row / len(captured)))
    faults = diagnose(machine, found)
    if as_json:
        say_json(as_dict(machine, found, faults), error=pictures.elsewhere)
    else:
        say(*report(machine, found, faults), error=pictures.elsewhere)
    _end_led(machine, found, pictures, interrupted=found.stopped is not None)


def _as_it_comes(
    machine: Machine, capture: Path, channels: Path | None, pictures: _Pictures, baud: int, *, as_json: bool
) -> Captured | None:
    """Compare a capture that grows; gives what came where no CPU can be led by it."""
    from simkit.commands.compare_growing import follow
    from simkit.commands.long_run import LongRun
    from simkit.commands.say import JsonRows
    from simkit.compare.judged import Led
    from simkit.compare.lines import diagnose
    from simkit.compare.told import as_dict, report

    if as_json and pictures.elsewhere:
        raise SimkitError("--json goes to standard output as it comes.", remedy="Write the picture into a file.")
    rows = JsonRows({"machine": machine.description.name}, "disagreements") if as_json else None
    notes: list[str] = []
    with LongRun(machine.description.name, silent=True) as run:
        found = follow(machine, capture, channels, baud=baud, rows=rows, notes=notes, wanted=lambda: run.goes_on(0.0))
    if notes:
        say(*notes, error=True)
    if not isinstance(found, Led):
        return found
    faults = diagnose(machine, found)
    if rows is not None:
        rows.close(as_dict(machine, found, faults))
    else:
        say("", *report(machine, found, faults), error=pictures.elsewhere)
    _end_led(machine, found, pictures, interrupted=run.stopped)
    return None


def _end_led(machine: Machine, found: Led, pictures: _Pictures, *, interrupted: bool) -> None:
    """Draw, and leave."""
    first = found.first
    pictures.write(machine, found, None if first is None else first.row, "they part")
    if interrupted:
        raise typer.Exit(exits.INTERRUPTED)
    if found.first is not None or not found.parts:
        raise typer.Exit(exits.FOUND)


def _free(
    options: MachineOptions,
    running: Running,
    machine: Machine,
    captured: Captured,
    pictures: _Pictures,
    *,
    as_json: bool,
) -> None:
    import attrs

    from simkit.commands.headless import run_forward
    from simkit.compare.free import free
    from simkit.compare.lines import diagnose_free
    from simkit.compare.told_free import as_dict, first_of, report

    others = [
        attrs.evolve(options, seed=machine.description.seed + by).load(tell_notes=False)
        for by in range(1, OTHER_POWER_UPS + 1)
    ]
    goal, script = running.begin(machine, DEFAULT_FOR)
    for other in others:
        running.begin(other, DEFAULT_FOR)
    reached = True

    def run_on() -> None:
        nonlocal reached
        reached = run_forward(machine, goal)

    found = free(machine, others, captured, run_on)
    faults = diagnose_free(found)
    pictures.write(machine, found, first_of(faults).row if faults else None, "they part")
    if as_json:
        say_json(as_dict(machine, found, faults) | missed_as_dict(goal, script), error=pictures.elsewhere)
    else:
        say(*report(machine, found, faults), error=pictures.elsewhere)
    leave(goal, script, reached=reached)
    if faults or not found.placed.any():
        raise typer.Exit(exits.FOUND)


def _plan(
    options: MachineOptions,
    running: Running,
    count: int,
    slot: int | None,
    out: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> None:
    from simkit.commands.headless import run_forward
    from simkit.compare.plan import CHANNELS_FILE, plan_for
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole

    if out is not None:
        check_output(out, what="channels", known=CHANNELS_FILE, force=force)
    machine = options.load()
    goal, script = running.begin(machine, DEFAULT_FOR)
    reached = True

    def run_on() -> None:
        nonlocal reached
        reached = run_forward(machine, goal)

    found = plan_for(machine, run_on, count, slot)
    if out is not None:
        say_written(write_whole(out, found.toml(), what="channels", known=CHANNELS_FILE, force=force))
    elsewhere = out is not None and is_stdout(out)
    if as_json:
        say_json({"cycle": machine.cycle} | found.as_dict() | missed_as_dict(goal, script), error=elsewhere)
    else:
        say(*found.words(), error=elsewhere)
    leave(goal, script, reached=reached)
