"""Findings: kept in order, counted by rule and slot, bounded."""

import json

from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.findings import KEPT_PER_RULE, Finding, Findings


def test_an_endless_fault_is_counted_and_the_first_two_hundred_are_kept():
    """Bounded by rule and slot: one that never ends does not hide another."""
    findings = Findings()
    for cycle in range(1_000):
        findings.add("contention", cycle, "x", slot=1)
    findings.add("contention", 1_000, "x", slot=2)
    assert (len(findings), findings.count("contention"), findings.count("contention", 1)) == (201, 1_001, 1_000)
    assert [finding.cycle for finding in findings] == [*range(KEPT_PER_RULE), 1_000]
    assert findings[-1] == Finding("contention", 1_000, None, 2, "x")
    assert KEPT_PER_RULE == 200


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from([None, 1, 2]))))
def test_counts_are_those_of_a_list_also_after_save_and_load(told):
    findings = Findings()
    for cycle, (rule, slot) in enumerate(told):
        findings.add(rule, cycle, f"number {cycle}", address=cycle * 2, slot=slot)
    again = Findings()
    again.add("old", 1, "gone after a load")
    again.load(json.loads(json.dumps(findings.save())))
    for kept in (findings, again):
        assert list(kept) == [Finding(rule, n, n * 2, slot, f"number {n}") for n, (rule, slot) in enumerate(told)]
        assert kept.counts() == {pair: told.count(pair) for pair in set(told)}
        for rule in "ab":
            assert kept.count(rule) == sum(name == rule for name, _ in told)
            assert [kept.count(rule, slot) for slot in (1, 2)] == [told.count((rule, 1)), told.count((rule, 2))]
    again.clear()
    assert (len(again), again.counts(), again.count("a")) == (0, {}, 0)
