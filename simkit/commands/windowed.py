"""`simkit run` with a window: whether one can be opened, what it is given, and what is told when it is closed."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.commands.say import say
from simkit.outside.speed import Speed

if TYPE_CHECKING:
    from simkit.commands.building import Build
    from simkit.commands.run_options import RunOptions
    from simkit.commands.taped_run import TapedRun
    from simkit.commands.watching import Watch
    from simkit.hands.controls import Controls
    from simkit.machine.machine import Machine
    from simkit.machine.views import Screen


def run_window(run: TapedRun, screen: Screen | None, asked: RunOptions, watch: Watch | None) -> str | None:
    """Open the window and run until it is closed; `watch` looks after the files.

    Returns:
        None when it was; the reason in a sentence when there is nothing to open a window on.
    """
    machine = run.machine
    controls = controls_for(machine.description.path, asked)
    reason = no_display()
    if reason is not None:
        return reason
    from simkit.commands.taped_run import note
    from simkit.hands.bar_key import how_to_open
    from simkit.hands.pads import words_on_both
    from simkit.hands.tape import Tape
    from simkit.window.app import App, NoDisplayError

    try:
        app = App(
            machine,
            screen,
            controls,
            pictures=pictures_folder(machine, asked),
            speed=asked.speed or Speed.REAL,
            reload=watch.fresh if watch else None,
            tape=Tape(run.journal, run.player, run.ending.asked),
            log=note,
            again=run.again,
        )
    except NoDisplayError as error:
        return error.message
    both = words_on_both(machine, controls)
    say(
        f"{machine.description.name} runs in its window. {how_to_open(controls.bar_key)}",
        "The bar has: pause, one instruction, one frame, to a moment, look inside, reset, power, screenshot, paste, "
        "speed. Else all keys are the machine's; `simkit controls` prints which keys and joystick buttons play pads.",
        *([f"Note: {both}"] if both else []),
        error=asked.as_json,
        flush=True,
    )
    app.run()
    run.go_on_with(app.machine)
    return None


def what_stands(run: TapedRun) -> dict[str, object]:
    """What came of a run whose window is closed, for the report."""
    run.close()
    return {"stopped": run.ending.asked()}


def watch_for(asked: RunOptions, build: Build | None = None) -> Watch:
    """What looks after the files of the machine; to be made before it is loaded."""
    from simkit.commands.watching import Watch
    from simkit.hands.controls import controls_beside
    from simkit.machinefile.read import machine_path

    machine_file = machine_path(asked.options.machine)
    return Watch(
        asked.options, asked.controls or controls_beside(machine_file), lambda: controls_for(machine_file, asked), build
    )


def controls_for(machine_file: Path, asked: RunOptions) -> Controls:
    """Which key and joystick contact is which, for this machine."""
    from simkit.hands.controls import read_controls, with_bar_key

    controls = read_controls(asked.controls, machine_file)
    return with_bar_key(controls, asked.bar_key) if asked.bar_key else controls


def no_display() -> str | None:
    """Why no window can be opened, before anything tries; None when nothing speaks against it."""
    if not sys.platform.startswith(("linux", "freebsd", "openbsd", "netbsd")) or os.environ.get("SDL_VIDEODRIVER"):
        return None
    if os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"):
        return None
    # Without this SDL would take over the text console of a machine where somebody logged in from afar.
    return "There is no display here (neither DISPLAY nor WAYLAND_DISPLAY is set)."


def pictures_folder(machine: Machine, asked: RunOptions) -> Path:
    """Where pictures go that nobody named."""
    from simkit.window.picture_files import writable_folder

    return writable_folder(machine.description.path.parent, shipped=asked.options.machine.startswith("demo:"))
