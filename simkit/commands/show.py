"""`simkit show`: what a machine looks like inside at a moment: CPU, cards in words, last instructions, memory."""

from __future__ import annotations

from typing import Annotated

import typer

from simkit.commands.options import JsonOption, MachineOptions, help_text
from simkit.commands.running import MOMENT_EXAMPLES, MOMENTS, Running, leave, missed_as_dict, runs_machine
from simkit.commands.say import say, say_json
from simkit.machine.inside import inside, words

DEFAULT_AT = "2s"

HELP = help_text(
    "Show what a machine looks like inside at a moment: the CPU, what each card holds in words, the last instructions, "
    "findings; with --memory the bytes from an address on.",
    MOMENTS,
    examples=(
        "simkit show demo:marlpit --at 2s",
        "simkit show demo:marlpit --at 2s --memory PLAYER1_X",
        'simkit show demo:bench --at 0.1s --memory "$0200"',
        *(one.format("show") for one in MOMENT_EXAMPLES),
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("show", help=HELP)(runs_machine(show))


def show(
    options: MachineOptions,
    running: Running,
    memory: Annotated[
        list[str] | None, typer.Option("--memory", metavar="ADDR", help="Address or label; repeatable.")
    ] = None,
    wiring: Annotated[bool, typer.Option("--wiring", help="Show how it is wired, a sentence each, and stop.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Show a machine (see HELP)."""
    from simkit.commands.headless import run_forward
    from simkit.machine.waiting import address_of

    loaded = options.load()
    if wiring:
        sentences = loaded.description.sentences()
        if as_json:
            say_json({"machine": loaded.description.name, "wiring": sentences})
        else:
            say(*sentences)
        return
    addresses = [address_of(loaded, text) for text in memory or []]
    goal, script = running.begin(loaded, DEFAULT_AT)
    reached = run_forward(loaded, goal)
    found = inside(loaded, addresses) | missed_as_dict(goal, script)
    if as_json:
        say_json(found)
    else:
        say(*words(loaded, found))
    leave(goal, script, reached=reached)
