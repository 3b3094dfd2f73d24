"""Rules that cards and the machine report."""

from __future__ import annotations

from simkit.check.rules.keyboard_pad_rules import KEYBOARD_PAD_RULES
from simkit.check.rules.machine_rules import MACHINE_RULES
from simkit.check.rules.memory_rules import MEMORY_RULES
from simkit.check.rules.port_rules import PORT_RULES
from simkit.check.rules.rule import Rule
from simkit.check.rules.video_rules import VIDEO_RULES

CARD_RULES: tuple[Rule, ...] = (*MACHINE_RULES, *MEMORY_RULES, *KEYBOARD_PAD_RULES, *PORT_RULES, *VIDEO_RULES)
