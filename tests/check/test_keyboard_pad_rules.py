"""Every rule that the keyboard and pad cards report has its story, and none is told that no card reports."""

import re
from pathlib import Path

import simkit_cards

from simkit.check.rules.catalogue import RULES

OURS = ("keyboard/card", "keyboard/line", "keyboard/controller", "pads/serial_pads", "pads/pad_sockets", "ps2/card")


def test_rules_reported_and_rules_told_are_the_same():
    folder = Path(simkit_cards.__file__).parent
    reported = set()
    for name in OURS:
        source = (folder / f"{name}.py").read_text()
        reported |= set(re.findall(r'report\(\s*"([a-z-]+)"', source))
        reported |= set(re.findall(r'^[A-Z_]+ = "(pad-[a-z-]+)"$', source, re.MULTILINE))
    assert reported >= {"torn-read", "pad-clock-too-fast", "write-to-pads"}
    assert reported <= set(RULES)
    from simkit.check.rules.keyboard_pad_rules import KEYBOARD_PAD_RULES

    assert reported == {rule.name for rule in KEYBOARD_PAD_RULES}
