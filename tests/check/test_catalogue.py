"""Every rule that anything reports has its story."""

import re
from pathlib import Path

import pytest
import simkit_cards

import simkit
from simkit.check.result.report import explain_text
from simkit.check.rules.catalogue import RULES, rule_named
from simkit.contract.errors import SimkitError

FOLDERS = [Path(simkit.__file__).parent, Path(simkit_cards.__file__).parent]
REPORTS = re.compile(r'(?:report|findings\.add|_once|notes\.add|Noted)\(\s*"([a-z0-9-]+)"')


def test_every_rule_that_is_reported_is_in_the_catalogue():
    reported = {
        name for folder in FOLDERS for path in folder.rglob("*.py") for name in REPORTS.findall(path.read_text("utf-8"))
    }
    assert len(reported) > 40
    assert reported <= set(RULES)


@pytest.mark.parametrize("name", sorted(RULES))
def test_a_rule_is_told_whole(name):
    rule = rule_named(name)
    text = explain_text(rule)
    for part in (rule.title, "On hardware:", "What to do:", "On the bench:"):
        assert part in text
    assert all(sentence.endswith((".", "?", ")")) for sentence in (rule.story, rule.hardware, rule.do, rule.bench))


def test_an_unknown_rule_gets_the_near_ones():
    with pytest.raises(SimkitError, match="no rule 'never-writen'") as caught:
        rule_named("never-writen")
    assert "'never-written'" in caught.value.remedy
