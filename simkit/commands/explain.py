"""`simkit explain`: the story of a rule and the advice for the bench."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text

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
        rows = [attrs.asdict(found) for _, found in sorted(RULES.items())]
        print(json.dumps(rows, indent=2) if as_json else list_text(), end="" if not as_json else "\n")
        return
    found = rule_named(rule)
    print(
        json.dumps(attrs.asdict(found), indent=2) if as_json else explain_text(found), end="" if not as_json else "\n"
    )
