"""The catalogue of rules: what each means on hardware, what to do, how to see it on the bench.

A rule is a name that findings carry. Those of the check itself stand in `program_rules`, those that cards and the
machine report in `card_rules`. `simkit explain RULE` prints them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.check.rules.card_rules import CARD_RULES
from simkit.check.rules.program_rules import PROGRAM_RULES
from simkit.check.rules.rule import Rule
from simkit.contract.errors import SimkitError, near

if TYPE_CHECKING:
    from collections.abc import Mapping

RULES: Mapping[str, Rule] = {rule.name: rule for rule in (*PROGRAM_RULES, *CARD_RULES)}
"""All rules by name."""


def rule_named(name: str) -> Rule:
    """The rule of that name.

    Raises:
        SimkitError: there is none; offers the near ones.
    """
    if name not in RULES:
        raise SimkitError(f"There is no rule {name!r}.", remedy=near(name, RULES) or "`simkit explain` lists them.")
    return RULES[name]


def rule_or_plain(name: str) -> Rule:
    """The rule of that name, or a bare one for a rule that somebody's own card reports."""
    return RULES.get(name) or Rule(
        name=name,
        level="warning",
        title="reported by a card",
        story="This rule comes from a card that is not part of the kit; its message says what happened.",
        hardware="See the message of the card.",
        do="Look into the documentation of the card.",
        bench="Watch the card's select and R/W with a two-channel probe at the cycle the finding names.",
    )
