"""`simkit budget`: whether the parts are fast enough for the clock, sum by sum."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text, takes_machine
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError, near, numbers

HELP = help_text(
    "Work out whether the parts of a machine are fast enough for its clock: for each card the time from address, "
    "select and strobes to data, set-up, pulse and hold of writes, what is left of each, and the highest safe clock.",
    "Parts are named in the machine file: part and grade of a card and of [cpu], and in [card.timing] what lies on the "
    "way (decode, buffer, gates). Where none is named there is a line for each part known that fits. Figures come from "
    "data sheets, in a table that you can add to; those from memory are marked. `simkit explain parts` says how.",
    "--clock asks what would be at another clock. Exit code 1 when something that is named is too slow.",
    examples=(
        "simkit budget demo:marlpit",
        'simkit budget demo:marlpit --clock "8 MHz"',
        "simkit budget my-machine --slot 2 --column typical",
        "simkit budget my-machine --slot 2 --svg cycle.svg",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("budget", help=HELP)(takes_machine(timing_budget))


def timing_budget(
    options: MachineOptions,
    column: Annotated[
        str,
        typer.Option("--column", metavar="C", help="Of data sheets: worst (limits), room (limits at 25 C), typical."),
    ] = "worst",
    slot: Annotated[
        int | None, typer.Option("--slot", metavar="N", help="This card alone, with every sum of every part.")
    ] = None,
    svg: Annotated[
        Path | None,
        typer.Option("--svg", metavar="FILE", help="Draw the read and the write cycle of the card to scale."),
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Tell or draw the budget (see HELP)."""
    from simkit.budget.drawn import drawn, most_urgent
    from simkit.budget.whole import budget
    from simkit.budget.words import budget_data, budget_lines
    from simkit.files.streams import is_stdout
    from simkit.files.whole import check_output, write_whole
    from simkit.looks.drawing import SVG
    from simkit.looks.drawing import svg as as_svg
    from simkit.machinefile.figures import COLUMNS

    if column not in COLUMNS:
        raise SimkitError(f"--column {column}: there is no such column.", remedy=near(column, COLUMNS))
    if svg is not None:
        check_output(svg, what="picture", known=SVG, force=force)
    found = budget(options.load(), column)
    if slot is not None and found.card(slot) is None:
        slots = numbers(card.slot for card in found.cards)
        raise SimkitError(f"There is no card in slot {slot}.", remedy=f"Slots with cards: {slots}.")
    if svg is not None:
        card = most_urgent(found) if slot is None else found.card(slot)
        if card is None:
            raise SimkitError("No card has sums that could be drawn.", remedy="Name parts in the machine file.")
        say_notes(write_whole(svg, as_svg(drawn(found, card)), what="picture", known=SVG, force=force))
    elsewhere = svg is not None and is_stdout(svg)
    slots_asked = [] if slot is None else [slot]
    if as_json:
        data = budget_data(found, slots_asked)
        say_json({**data, **({"files": [str(svg)]} if svg is not None else {})}, error=elsewhere)
    else:
        written = [] if svg is None else [f"Written: {svg}"]
        say(*budget_lines(found, slots_asked), *written, error=elsewhere)
    if found.is_late:
        raise typer.Exit(exits.FOUND)
