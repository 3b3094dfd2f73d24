"""`simkit run`: a machine in a window, or without one."""

from __future__ import annotations

import signal
import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import attrs
import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.rom_out import check_rom_slots, rom_files, write_roms
from simkit.commands.run_options import RunOptions
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, runs_machine
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError
from simkit.files.streams import is_stdout
from simkit.outside.speed import Speed, read_speed

if TYPE_CHECKING:
    from simkit.commands.building import Build
    from simkit.commands.goal import Goal
    from simkit.commands.headless import Outcome
    from simkit.commands.script import Script
    from simkit.commands.taped_run import TapedRun
    from simkit.files.growing import GrowingFile
    from simkit.machine.machine import Machine
    from simkit.machine.views import Screen

DEFAULT_FOR = "3s"

HELP = help_text(
    "Run a machine: in a window, or without one (--headless).",
    "In the window the host's keys are the machine's keys by position. Both Shift keys together, the right mouse "
    "button or the pointer at the top edge open the bar: pause, reset, power, screenshot, paste as typing, speed, full "
    "screen. `simkit controls` prints which keys and joystick buttons play the pads. Where there is no display the "
    "machine runs for 3 s and its picture goes into a file.",
    "--record writes down what happens to the machine while it happens: input, reset, power, what --watch loads, and "
    "chapters that you mark in the window; the file is good up to its last line however the run ends (exit code 1 if "
    "the recording had to end first). --replay has the same happen again, in the window until the recording ends or "
    "you take over, and says at which place the machine first is not as it was (exit code 1); an old recording plays "
    "to a new build of the ROM, too.",
    "The window tells the first finding of each rule as it comes up; its count opens the list of all. Paused, it shows "
    "what the machine holds, and goes on by an instruction, a frame, to a moment. A serial card has a terminal in the "
    "window; --terminal puts it elsewhere, and there is no window then. When the window is closed, the same is printed "
    "as after a run without one, and --strict and --json mean the same.",
    "SIGTERM and SIGHUP end a run in good order, as Ctrl-C does: recording, picture and capture are complete.",
    "A machine folder is a program, as its Python file cards are: running somebody's folder is running their program.",
    MOMENTS,
    examples=(
        "simkit run demo:marlpit",
        'simkit run my-machine --bar-key "page down"',
        "simkit run my-machine --watch --build make",
        "simkit run my-machine --speed half",
        "simkit run demo:marlpit --headless --for 3s --text --png title.png",
        'simkit run demo:marlpit --headless --for 4s --pad "1=start@1s..1.1s" --pad "1=right+a@1.5s..2s"',
        "simkit run demo:monitor --terminal here",
        'simkit run my-machine --headless --for 5s --type "help\\n@2s" --strict --json',
        *(one.format("run").replace("run my-machine", "run my-machine --headless") for one in MOMENT_EXAMPLES),
        "simkit run my-machine --record evening.rec",
        "simkit run my-machine --headless --replay evening.rec --png end.png",
        "simkit run my-machine --headless --for 5s --rom-out 2=after.bin",
        "simkit run my-machine --image 2=new.bin --set 4.port_1=2 --clock '4 MHz'",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("run", help=HELP)(runs_machine(run))


def run(
    options: MachineOptions,
    running: Running,
    headless: Annotated[bool, typer.Option("--headless", help="Run without a window, as fast as it goes.")] = False,
    png: Annotated[Path | None, typer.Option("--png", metavar="FILE", help="Write the last picture.")] = None,
    text: Annotated[bool, typer.Option("--text", help="Print what can be read on the screen.")] = False,
    screen: Annotated[
        int | None, typer.Option("--screen", metavar="SLOT", help="Which screen, when several cards have one.")
    ] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Exit code 1 when there are findings.")] = False,
    speed: Annotated[
        str | None,
        typer.Option(
            "--speed",
            metavar="|".join((*Speed, "N")),
            help="How fast machine time goes in the window and on a live serial line; N times real speed, 0.1 say.",
        ),
    ] = None,
    watch: Annotated[
        bool, typer.Option("--watch", help="Load anew and switch on again when files of the machine change.")
    ] = False,
    build: Annotated[
        str | None,
        typer.Option(
            "--build", metavar="COMMAND", help="With --watch: have the shell run this, here, when sources change."
        ),
    ] = None,
    sources: Annotated[
        list[str] | None,
        typer.Option("--sources", metavar="GLOB", help="With --build: sources besides those that labels name."),
    ] = None,
    controls: Annotated[
        Path | None, typer.Option("--controls", metavar="FILE", help="Which keys and joystick buttons play the pads.")
    ] = None,
    bar_key: Annotated[
        str | None,
        typer.Option("--bar-key", metavar="KEY", help='What opens the bar: "both shifts", or a key\'s name.'),
    ] = None,
    terminal: Annotated[
        str | None,
        typer.Option(
            "--terminal",
            metavar="WHERE",
            help="Run without a window, with the serial card's terminal here, at port:6551 of this computer, or at a "
            "device (a pseudo-terminal; its name is printed).",
        ),
    ] = None,
    paste: Annotated[
        Path | None, typer.Option("--paste", metavar="FILE", help="Send a text over the serial line first.")
    ] = None,
    paste_pause: Annotated[
        str | None, typer.Option("--paste-pause", metavar="TIME", help="Wait after each pasted line, e.g. 20ms.")
    ] = None,
    capture: Annotated[
        Path | None,
        typer.Option(
            "--capture",
            metavar="FILE",
            help="Keep what the machine sends over the serial line; over nothing that is there without --force.",
        ),
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            metavar="FILE",
            help="Keep what happens to the machine, by its cycle; over nothing that is there without --force.",
        ),
    ] = None,
    replay: ReplayOption = None,
    begin: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="MOMENT",
            help='With --replay: show the window from there on; "chapter:NAME" will do, too.',
        ),
    ] = None,
    rom_out: Annotated[
        list[str] | None,
        typer.Option(
            "--rom-out",
            metavar="SLOT=FILE",
            help="Write what a ROM's part holds at the end, with what was written to it.",
        ),
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run a machine (see HELP)."""
    asked = RunOptions(
        options=options,
        headless=headless,
        running=running,
        png=png,
        text=text,
        screen=screen,
        watch=watch,
        build=build,
        sources=tuple(sources or ()),
        speed=read_speed(speed) if speed is not None else None,
        strict=strict,
        as_json=as_json,
        controls=controls,
        bar_key=bar_key,
        terminal=terminal,
        paste=paste,
        paste_pause=paste_pause,
        capture=capture,
        record=record,
        replay=replay,
        begin=begin,
        rom_out=rom_files(rom_out or ()),
        force=force,
    )
    from simkit.commands.taped_run import taped_run
    from simkit.commands.windowed import run_window, watch_for, what_stands

    asked.check()
    building = build_for(asked)
    watch_of_files = watch_for(asked, building) if asked.watch else None
    asked.check_outputs()
    if building is not None:
        building.run_now()
    loaded = asked.options.load()
    if building is not None:
        building.is_of(loaded)
    if not asked.headless:  # which tells its findings at the end
        for warning in loaded.warnings:
            say(f"Note: {warning.message}", error=True)
    check_rom_slots(loaded, asked.rom_out)
    shown = chosen_screen(loaded, asked.screen)
    script = asked.running.script(loaded, shown)
    if asked.headless or asked.terminal is not None:
        check_screen_wanted(shown, asked)
    with (
        taped_run(loaded, script, record=asked.record, replay=asked.replay, force=asked.force) as run,
        building or nullcontext(),
    ):
        if asked.terminal is not None:
            run_serial(run, asked, script)
        elif asked.headless:
            finish(run_headless(run, asked), run, asked, script)
        else:
            if asked.begin is not None:
                play_up_to(run, asked.begin)
            reason = run_window(run, shown, asked, watch_of_files)
            results = run_without_display(run, asked, reason) if reason else what_stands(run)
            finish(results, run, asked, script)


def chosen_screen(machine: Machine, slot: int | None) -> Screen | None:
    """The screen to show: that of the slot, or the only one; None when the machine has none.

    Raises:
        SimkitError: no screen in that slot, or several and no slot given.
    """
    from simkit.machine.views import Screen

    if slot is None and not machine.ports(Screen):
        return None
    return machine.port(Screen, slot, option="--screen")


def play_up_to(run: TapedRun, text: str) -> None:
    """Play what is to be played up to a moment or a chapter, before anything is shown.

    Raises:
        SimkitError: there is no such chapter, or the moment does not come.
        typer.Exit: Ctrl-C ended it.
    """
    from simkit.commands.goal import Goal
    from simkit.commands.headless import play_forward

    player = run.player
    assert player is not None
    kind, _, name = text.partition(":")
    try:
        moment = f"{player.recording.chapter(name).cycles}c" if kind == "chapter" else text
        goal = Goal(run.machine, None, moment)
    except SimkitError as error:
        raise SimkitError(f"--from {text!r}: {error.message}", remedy=error.remedy) from error
    if not play_forward(player, goal, asked_to_end=run.ending.asked):
        run.ending.leave()
        raise typer.Exit(exits.INTERRUPTED)
    if player.ended:
        raise SimkitError(
            f"--from {text!r} does not come before the end of the recording.", remedy="Name one that does."
        )


def run_headless(run: TapedRun, asked: RunOptions) -> dict[str, object]:
    """Run to the end, or up to Ctrl-C; what came of it, for `finish`."""
    goal = None
    if asked.running.length is not None or run.player is None:
        goal = goal_of(run, asked)
    return run_on(run, goal, asked)


def goal_of(run: TapedRun, asked: RunOptions) -> Goal:
    """Where the run ends."""
    return asked.running.goal(run.machine, chosen_screen(run.machine, asked.screen), DEFAULT_FOR)


def run_on(run: TapedRun, goal: Goal | None, asked: RunOptions) -> dict[str, object]:
    """Play what is to be played, and run on, up to the goal; None: as long as the recording."""
    from simkit.commands.headless import play_forward, run_forward

    player, asked_to_end = run.player, run.ending.asked
    reached = player is None or play_forward(player, goal, asked_to_end=asked_to_end)
    if reached and goal is not None:
        if player is not None and goal.is_time:
            goal.limit += run.machine.cycle - player.played
        reached = run_forward(run.machine, goal, asked_to_end=asked_to_end)
    run.close()
    return what_is_on(chosen_screen(run.machine, asked.screen), asked) | what_was_waited_for(goal, reached=reached)


def what_was_waited_for(goal: Goal | None, *, reached: bool) -> dict[str, object]:
    """Whether the goal has come, and whether somebody ended the run before."""
    return {
        "stopped": not reached,
        "until": goal.as_dict() if goal is not None else None,
        "missed": goal.missed() if reached and goal is not None else [],
    }


def check_screen_wanted(screen: Screen | None, asked: RunOptions) -> None:
    """Check that there is a screen when its picture or text is asked for.

    Raises:
        SimkitError: there is none.
    """
    if screen is None and (asked.png or asked.text):
        raise SimkitError(
            f"{'--png' if asked.png else '--text'}: the machine has no screen.", remedy="Leave the option out."
        )


def what_is_on(screen: Screen | None, asked: RunOptions) -> dict[str, object]:
    """Picture's path and text of the screen, as asked."""
    from simkit.commands.headless import write_picture

    return {
        "picture": write_picture(screen, asked.png, force=asked.force) if screen and asked.png else None,
        "text": screen.text() if screen and asked.text else None,
    }


def run_serial(run: TapedRun, asked: RunOptions, script: Script) -> None:
    """Run with the serial line at the host's end; what came of the run goes to stderr, as stdout is the line's."""
    from simkit.commands.goal import cycles_of
    from simkit.machine.views import Serial
    from simkit.outside.serial_host import Paste, converse, open_line

    machine = run.machine
    plug = machine.port(Serial, asked.running.terminal_slot, option="--terminal-slot")
    screen = chosen_screen(machine, asked.screen)
    goal = None if asked.running.length is None and asked.running.timeout is None else goal_of(run, asked)
    pause = cycles_of(machine, screen, asked.paste_pause, "--paste-pause") if asked.paste_pause is not None else 0
    paste = Paste.read(asked.paste, pause) if asked.paste else None
    assert asked.terminal is not None
    line = open_line(asked.terminal, asked_to_end=run.ending.asked)
    try:
        capture = _capture(asked)
    except SimkitError:
        line.close()
        raise
    speed = asked.speed or Speed.REAL
    with capture or nullcontext():
        reached = converse(
            machine,
            plug,
            line,
            until=goal.limit if goal is not None else None,
            left=lambda: goal.left if goal is not None else None,
            paste=paste,
            capture=capture,
            speed=speed,
            player=run.player,
            asked_to_end=run.ending.asked,
        )
    run.close()
    found = what_is_on(chosen_screen(run.machine, asked.screen), asked) | what_was_waited_for(goal, reached=reached)
    del found["stopped"]  # Ctrl-C is how a person leaves
    missed = found.pop("missed")
    assert isinstance(missed, list)
    outcome = _outcome(found, missed, run, script, asked)
    tell(outcome, run, asked, error=True)
    run.leave(usually=signal.SIGINT)
    if missed or (asked.strict and outcome.found):
        raise typer.Exit(exits.FOUND)


def _outcome(found: dict[str, object], missed: list[str], run: TapedRun, script: Script, asked: RunOptions) -> Outcome:
    """What is told of a run that is closed."""
    from simkit.commands.headless import Outcome, looked_back

    taken_out = write_roms(run.machine, asked.rom_out, force=asked.force)
    found |= run.as_dict() | {"more": [*run.lines(), *taken_out, *missed], "not_given": script.as_dicts()}
    found["leaving"] = looked_back(run.again, run.machine)
    return Outcome(machine=run.machine, **found)  # type: ignore[arg-type] # by name


def _capture(asked: RunOptions) -> GrowingFile | None:
    """The file for what the machine sends, open, if it is asked for."""
    from simkit.files.growing import GrowingFile

    if asked.capture is None:
        return None
    capture = GrowingFile(asked.capture, what="capture", force=asked.force)
    say_notes(capture.written)
    return capture


def run_without_display(run: TapedRun, asked: RunOptions, reason: str) -> dict[str, object]:
    """Say why there is no window, run for DEFAULT_FOR, write a picture beside the machine or into this folder."""
    from simkit.commands.windowed import pictures_folder
    from simkit.files.whole import write_new
    from simkit.window.picture_files import names

    say(f"{reason} Running {DEFAULT_FOR} of machine time without a window.", error=True)
    machine = run.machine
    results = run_on(
        run, goal_of(run, attrs.evolve(asked, running=attrs.evolve(asked.running, length=None, timeout=None))), asked
    )
    machine, screen = run.machine, chosen_screen(run.machine, asked.screen)
    if screen is None:
        return results
    picture = write_new(names(pictures_folder(machine, asked), machine), screen.png(), what="picture")
    return results | {"picture": picture, "text": screen.text()}


def finish(results: dict[str, object], run: TapedRun, asked: RunOptions, script: Script) -> None:
    """Tell what came of the run, and leave: 130 after Ctrl-C, 1 when a replay differs or --strict has findings."""
    missed = results.pop("missed", [])
    assert isinstance(missed, list)
    outcome = _outcome(results, missed, run, script, asked)
    tell(
        outcome,
        run,
        asked,
        error=any(path is not None and is_stdout(path) for path in (asked.png, asked.record, *asked.rom_out.values())),
    )
    run.ending.leave()
    if outcome.stopped:
        raise typer.Exit(exits.INTERRUPTED)
    run.leave()
    if missed or (asked.strict and outcome.found):
        raise typer.Exit(exits.FOUND)


def tell(outcome: Outcome, run: TapedRun, asked: RunOptions, *, error: bool) -> None:
    """Print what came of a run; on standard error when standard output is taken."""
    try:
        if asked.as_json:
            say_json(outcome.as_dict(), error=error)
        else:
            say(*outcome.lines(), error=error)
        sys.stdout.flush()
    except OSError:
        run.ending.leave()  # the terminal has gone, and with it who would read
        raise


def build_for(asked: RunOptions) -> Build | None:
    """The build command, if there is one."""
    if asked.build is None:
        return None
    from simkit.commands.building import Build

    return Build(asked.build, asked.sources)
