"""Which findings led to the program leaving its code."""

from __future__ import annotations

from collections.abc import Iterable

import attrs

from simkit.check.leaving.way import Way
from simkit.check.result.findings import CheckFinding

LEFT = "ran-away"
_OF_THE_STACK = frozenset(("stack-wrap", "stack-underflow", "stack-pointer-unset", "handler-stack"))
_OF_OPCODES = frozenset(("opcode-missing", "undefined-opcode", "brk-executed", "stack-uneven"))


def led_there(findings: Iterable[CheckFinding], way: Way | None) -> list[CheckFinding]:
    """The findings, with what led to the program leaving its code marked, and with the way on that.

    What led there: a rule that was broken by an access of a byte on the way, or by the instruction that made the
    program counter go there; one of the stack where the address was pulled; two drivers on the data lines, as then the
    CPU reads what nobody wrote.

    Args:
        findings: of a run that ended with the program lost.
        way: by which the program counter came there; None: it is not known.
    """
    return [_marked(finding, way) for finding in findings]


def _marked(finding: CheckFinding, way: Way | None) -> CheckFinding:
    if finding.rule.name == LEFT:
        return attrs.evolve(finding, role="left", way=() if way is None else way.told)
    if way is not None and _led(finding, way):
        return attrs.evolve(finding, role="cause")
    return finding


def _led(finding: CheckFinding, way: Way) -> bool:
    name = finding.rule.name
    if name == "contention":
        return True
    if name in _OF_OPCODES:
        return finding.pc in way.pcs
    if name in _OF_THE_STACK:
        return way.by_stack
    return any(
        finding.address == step.address and (finding.cycle is None or finding.pc in (step.reader, step.writer))
        for step in way.steps
    )
