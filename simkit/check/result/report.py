"""The check's findings for people: one block each, beginning with `file:line:`, to which editors jump."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from textwrap import fill

from simkit.check.result.findings import CheckFinding, CheckResult
from simkit.check.rules.catalogue import RULES
from simkit.check.rules.rule import Rule
from simkit.contract.plain import plain

WIDTH = 100
PLACES_TOLD = 10
"""Places of one rule that are told whole."""
PLACES_NAMED = 40

LED_THERE = "The program leaves its code. What led there, the first cause first:"
BESIDES = "What was found besides:"


def report_text(result: CheckResult) -> str:
    """The whole report."""
    blocks = _blocks(finding for finding in result.findings if finding.accepted is None)
    accepted = [finding for finding in result.findings if finding.accepted is not None]
    if accepted:
        lines = [f"    {_head(finding)}\n        because {plain(finding.accepted)}" for finding in accepted]
        blocks.append("Accepted:\n" + "\n".join(lines))
    if result.remarks:
        blocks.append("\n".join(map(plain, result.remarks)))
    blocks.append(closing(result))
    return "\n\n".join(blocks) + "\n"


def closing(result: CheckResult) -> str:
    """How many findings there are, in one line."""
    notes = sum(1 for f in result.findings if f.rule.level == "note" and f.accepted is None)
    accepted = sum(1 for f in result.findings if f.accepted is not None)
    number = len(result.open)
    text = f"{plain(result.machine)}: {number or 'no'} finding{'' if number == 1 else 's'}"
    if accepted:
        text += f", {accepted} accepted"
    if notes:
        text += f", {notes} note{'' if notes == 1 else 's'}"
    cycles = f"{result.cycles:,}".replace(",", " ")
    text += f" in {result.seconds:.3g} s of machine time ({cycles} cycles)."
    if result.halted:
        text += f" The CPU is {plain(result.halted)}."
    return text


def _blocks(findings: Iterable[CheckFinding]) -> list[str]:
    """A block a finding; of a rule that is broken in very many places the first, and where the others are."""
    told: Counter[str] = Counter()
    blocks, left = [], dict[str, list[str]]()
    role = ""
    for finding in findings:
        name = finding.rule.name
        if finding.role == "cause" != role:
            blocks.append(LED_THERE)
        elif role and not finding.role:
            blocks.append(BESIDES)
        role = finding.role
        told[name] += 1
        if told[name] <= PLACES_TOLD:
            blocks.append(_block(finding))
            continue
        if name not in left:
            blocks.append(name)  # its turn: the rest comes here
            left[name] = []
        at = finding.pc if finding.pc is not None else finding.address
        left[name].append(f"${at:04X}" if at is not None else finding.card)
    return [_rest(block, left[block]) if block in left else block for block in blocks]


def _rest(rule: str, places: list[str]) -> str:
    shown = f"{', '.join(places[:PLACES_NAMED])}{' and more' if len(places) > PLACES_NAMED else ''}"
    number = f"{len(places):,}".replace(",", " ")
    return fill(
        plain(f"{rule}: in {number} more places, which --json lists: {shown}."), WIDTH, subsequent_indent="    "
    )


def _head(finding: CheckFinding) -> str:
    place = f"{finding.file}:{finding.line}: " if finding.file is not None else ""
    return plain(f"{place}{finding.rule.level}: {finding.rule.name}: {finding.message}")


def _block(finding: CheckFinding) -> str:
    where = []
    if finding.pc is not None:
        label = f" ({finding.label})" if finding.label else ""
        source = f": {finding.source}" if finding.source else ""
        where.append(plain(f"at ${finding.pc:04X}{label}{source}"))
    if finding.card:
        where.append(plain(finding.card))
    if finding.cycle is not None:
        first = f"cycle {finding.cycle:,}".replace(",", " ")
        where.append(first if finding.count == 1 else f"first in {first}, {finding.count:,} times".replace(",", " "))
    lines = [_head(finding)]
    if where:
        lines.append(_indented("", "; ".join(where)))
    if finding.together:
        lines.append(_indented("Together: ", plain(finding.together)))
    if finding.way:
        lines.append(_indented("How: ", plain(" ".join(finding.way))))
    lines.append(_indented("Hardware: ", plain(finding.rule.hardware)))
    lines.append(_indented("Do: ", plain(finding.rule.do)))
    return "\n".join(lines)


def _indented(title: str, text: str) -> str:
    return fill(title + text, WIDTH, initial_indent="    ", subsequent_indent=" " * (4 + len(title)))


def explain_text(rule: Rule) -> str:
    """Everything the catalogue says of a rule."""
    parts = [f"{rule.name} ({rule.level}): {rule.title}", fill(rule.story, WIDTH)]
    parts += [
        fill(title + text, WIDTH, subsequent_indent=" " * len(title))
        for title, text in (
            ("On hardware: ", rule.hardware),
            ("What to do:  ", rule.do),
            ("On the bench: ", rule.bench),
        )
    ]
    return "\n\n".join(parts) + "\n"


def list_text() -> str:
    """All rules, one line each."""
    width = max(len(name) for name in RULES)
    return "".join(f"{name:<{width}}  {rule.level:<7}  {rule.title}\n" for name, rule in sorted(RULES.items()))
