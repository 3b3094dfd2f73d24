"""`simkit controls`: which keys and joystick contacts play what, as a file that can be edited."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json, say_text
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.hands.controls import Controls

HELP = help_text(
    "Print which keys and joystick contacts play the pads, and which key opens the bar.",
    "Of a MACHINE it tells which of these keys reach its keyboard as well.",
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
    from simkit.hands.controls import read_controls

    beside = None
    if machine is not None:
        from simkit.machinefile.read import machine_path

        beside = machine_path(machine)
    found = read_controls(file, beside)
    both = _keys_of_both(machine, found) if machine is not None else {}
    by_slot = {slot: keys for slot, (_, keys) in (both or {}).items()}
    if as_json:
        say_json(found.as_dict() | {"keyboard_too": by_slot})
        return
    say(f"# From {found.file}")
    if both is None:
        say("# The machine cannot be loaded, so it is not known which of these keys reach its keyboard as well.")
    for title, keys in (both or {}).values():
        say(f"# These reach the {title} as well: {', '.join(keys)}.")
    say_text(found.toml())


def _keys_of_both(machine: str, found: Controls) -> dict[int, tuple[str, tuple[str, ...]]] | None:
    """By slot, title of a keyboard and keys of pads that reach it; None where the machine cannot be loaded."""
    from simkit.hands.pads import keys_of_both
    from simkit.machine.machine import Machine

    try:
        loaded = Machine.load(machine)
    except SimkitError:
        return None
    return {slot: (loaded.cards[slot].title, keys) for slot, keys in keys_of_both(loaded, found).items()}
