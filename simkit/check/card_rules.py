"""Rules that cards and the machine report."""

from simkit.check.keyboard_pad_rules import KEYBOARD_PAD_RULES
from simkit.check.rule import Rule

CARD_RULES: tuple[Rule, ...] = (*KEYBOARD_PAD_RULES,)
