"""`simkit explain`: the story of a rule and the advice for the bench."""

from __future__ import annotations

from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json, say_text

FAULTS = "faults"
"""Stands for the page about faults where the name of a rule stands."""
CAPTURES = "captures"
"""The same for the page about captures."""
PARTS = "parts"
"""The same for the page about parts and their figures."""

HELP = help_text(
    "Tell what a rule means on hardware, what to do, and how to see it on the bench.",
    "Without a rule: list all of them. Rules come from `simkit check` and from the cards while a machine runs.",
    "`simkit explain faults` lists the faults that can be put into a machine, with the sentences that say them.",
    "`simkit explain captures` tells which captures of a real bus are read, how a channel file says which channel is "
    "which line, and what a bus monitor of your own prints.",
    "`simkit explain parts` tells how a machine file names its parts, which are known, and how you add your own.",
    examples=(
        "simkit explain",
        "simkit explain never-written",
        "simkit explain faults",
        "simkit explain captures",
        "simkit explain parts",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("explain", help=HELP)(explain)


def explain(
    rule: Annotated[
        str | None, typer.Argument(metavar="RULE", help="Name of a rule, as findings show it; faults; captures; parts.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Explain a rule (see HELP)."""
    import attrs

    from simkit.backplane.fault_kinds import KINDS, TIMES, page
    from simkit.check.result.report import explain_text, list_text
    from simkit.check.rules.catalogue import RULES, rule_named

    if rule is None:
        if as_json:
            say_json([attrs.asdict(found) for _, found in sorted(RULES.items())])
        else:
            say_text(list_text())
        return
    if rule == FAULTS:
        if as_json:
            say_json({"kinds": [attrs.asdict(kind) for kind in KINDS], "times": [list(pair) for pair in TIMES]})
        else:
            say(*page())
        return
    if rule == CAPTURES:
        from simkit.capture.page import page as captures_page

        if as_json:
            say_json({"page": captures_page()})
        else:
            say(*captures_page())
        return
    if rule == PARTS:
        from simkit.budget.page import page as parts_page

        if as_json:
            say_json({"page": list(parts_page())})
        else:
            say(*parts_page())
        return
    found = rule_named(rule)
    if as_json:
        say_json(attrs.asdict(found))
    else:
        say_text(explain_text(found))
