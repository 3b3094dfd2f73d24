"""Rules that cards and the machine report."""

from simkit.check.rule import Rule

CARD_RULES: tuple[Rule, ...] = ()
