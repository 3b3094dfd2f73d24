"""The findings of a machine as people are told of them: those of one rule and place together, with a count."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.contract.findings import Finding
from simkit.machine.told import digits

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

OTHER_PLACES = 3
"""Of a rule, told besides the first."""


def by_place(machine: Machine) -> list[tuple[Finding, int]]:
    """The first finding of each rule and place, with how many of them the machine has kept."""
    firsts: dict[object, Finding] = {}
    numbers: dict[object, int] = {}
    for one in machine.findings:
        key = one.rule, one.slot, one.pc if one.pc is not None else one.address, one.seen
        firsts.setdefault(key, one)
        numbers[key] = numbers.get(key, 0) + 1
    return [(first, numbers[key]) for key, first in firsts.items()]


def place_words(machine: Machine, finding: Finding) -> str:
    """Where it was, as " at $8003 (start+3, main.asm:12)": the instruction or else the address; "" without either."""
    at = finding.pc if finding.pc is not None else finding.address
    return f" at {machine.place(at, finding.seen).words()}" if at is not None else ""


def who(machine: Machine, slot: int | None) -> str:
    """The card in a slot as people are told of it; the machine, without a slot."""
    if slot is None:
        return "machine"
    return machine.cards[slot].title if slot in machine.cards else f"slot {slot}"


def times(number: int) -> str:
    """How often, in words."""
    return "once" if number == 1 else f"{digits(number)} times"


def findings_lines(machine: Machine, until: int | None = None) -> list[str]:
    """Findings by rule and slot: how often, the first one whole, and where else.

    Args:
        machine: the machine.
        until: cycle from which on the program was lost: what first came up then is only named; None: it never was.
    """
    counts = machine.findings.counts()
    if not counts:
        return ["No findings by cards and bus; `simkit check` looks at what the program does, too."]
    places = by_place(machine)
    told, followed = ["Findings:"], list[str]()
    for (rule, slot), count in counts.items():
        first, *others = [one for one, _ in places if (one.rule, one.slot) == (rule, slot)]
        if until is not None and first.cycle >= until:
            followed.append(f"{rule}, {who(machine, slot)}, {times(count)}")
            continue
        where = who(machine, slot)
        told.append(
            f"  {rule}, {where}, {times(count)}; first in cycle {digits(first.cycle)}{place_words(machine, first)}: "
            f"{first.message}"
        )
        told += [f"    also{place_words(machine, one)}: {one.message}" for one in others[:OTHER_PLACES]]
        if len(others) > OTHER_PLACES:
            told.append(f"    and in {digits(len(others) - OTHER_PLACES)} more")
    if followed:
        told = [*told, "What followed:"] if len(told) > 1 else ["What followed:"]
        told += [f"  {one}" for one in followed]
    return told
