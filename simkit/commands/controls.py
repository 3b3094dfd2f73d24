"""`simkit controls`: which host keys and joystick contacts play what, as a file that can be edited."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json, say_text

HELP = help_text(
    "Print which host keys and joystick contacts play the pads, and which key opens the bar.",
    "The print is a controls file: save it as controls.toml beside a machine file and change what you like.",
    examples=(
        "simkit controls",
        "simkit controls > my-machine/controls.toml",
        "simkit controls my-machine",
        "simkit run my-machine --controls my-joystick.toml",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("controls", help=HELP)(controls)


def controls(
    machine: Annotated[
        str | None, typer.Argument(metavar="[MACHINE]", help="A machine whose controls.toml counts, if it has one.")
    ] = None,
    file: Annotated[Path | None, typer.Option("--controls", metavar="FILE", help="A controls file.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Print the mapping in force (see HELP)."""
    from simkit.window.controls import read_controls

    beside = None
    if machine is not None:
        from simkit.machinefile.read import machine_path

        beside = machine_path(machine)
    found = read_controls(file, beside)
    if as_json:
        say_json(found.as_dict())
        return
    say(f"# From {found.file}")
    say_text(found.toml())
