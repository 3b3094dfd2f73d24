"""Rules that cards and the machine report."""

from __future__ import annotations

from simkit.check.keyboard_pad_rules import KEYBOARD_PAD_RULES
from simkit.check.machine_rules import MACHINE_RULES
from simkit.check.port_rules import PORT_RULES
from simkit.check.rule import Rule
from simkit.check.video_rules import VIDEO_RULES

CARD_RULES: tuple[Rule, ...] = (*MACHINE_RULES, *KEYBOARD_PAD_RULES, *PORT_RULES, *VIDEO_RULES)
