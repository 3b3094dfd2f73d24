"""`simkit explain`: the story of a rule and the advice for the bench."""

from __future__ import annotations

from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say_json, say_text

HELP = help_text(
    "Tell what a rule means on hardware, what to do, and how to see it on the bench.",
    "Without a rule: list all of them. Rules come from `simkit check` and from the cards while a machine runs.",
    examples=("simkit explain", "simkit explain never-written"),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("explain", help=HELP)(explain)


def explain(
    rule: Annotated[str | None, typer.Argument(metavar="RULE", help="Name of a rule, as findings show it.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Explain a rule (see HELP)."""
    import attrs

    from simkit.check.result.report import explain_text, list_text
    from simkit.check.rules.catalogue import RULES, rule_named

    if rule is None:
        if as_json:
            say_json([attrs.asdict(found) for _, found in sorted(RULES.items())])
        else:
            say_text(list_text())
        return
    found = rule_named(rule)
    if as_json:
        say_json(attrs.asdict(found))
    else:
        say_text(explain_text(found))
