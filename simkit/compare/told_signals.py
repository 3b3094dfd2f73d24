"""What is wrong with selects and with lines that cards pull, in words, and what to do about it at the bench."""

from __future__ import annotations

import numpy as np

from simkit.backplane.select import ADDRESS_LINES
from simkit.compare import contacts
from simkit.compare.fed import PULLED
from simkit.compare.followed import Difference
from simkit.compare.guessed import EXCHANGED, FOLLOWS, HIGH, INVERTED, LOW, SHORTED, LineFault
from simkit.compare.signal_faults import ANSWERED, DECODED, IGNORED, NEEDS_LOW, TURNED, WITHOUT
from simkit.compare.signals import READY
from simkit.machine.machine import Machine
from simkit.machine.told import digits
from simkit.records.observed import SELECT, AddressLevels


def is_pulled(line: str) -> bool:
    """Whether it is a line that cards pull."""
    return line in (*PULLED, READY)


def is_signal(line: str) -> bool:
    """Whether it is a select, or a line that cards pull."""
    return is_pulled(line) or line.endswith(f".{SELECT}")


def card_name(machine: Machine, slot: int | None) -> str:
    """Title of the card in a slot."""
    return machine.cards[slot].title if slot in machine.cards and slot is not None else "nobody"


def what(machine: Machine, one: Difference) -> str:
    """What disagrees in a cycle."""
    if one.signal.endswith(f".{SELECT}"):
        verb = "writes" if one.is_write else "reads"
        should, seen = ("selected", "not") if _reaches(machine, one) else ("not selected", "it is")
        return f"While the CPU {verb} ${one.address:04X}, {card_name(machine, one.slot)} should be {should}; {seen}."
    if one.signal == READY:
        return "RDY is low, and the CPU goes on."
    if one.heard:
        return f"{one.signal} and what the CPU does on it do not fit together."
    who = f" by what {card_name(machine, one.slot)} was told" if one.slot is not None else ""
    return f"{one.signal} has another level than it should have{who}."


def _reaches(machine: Machine, one: Difference) -> bool:
    table = machine.bus.reach.table
    plan = (table.write_plan if one.is_write else table.read_plan)(one.address)
    return one.slot in plan.selected


def sentence(machine: Machine, fault: LineFault) -> str:
    """What is wrong with it."""
    if is_pulled(fault.line):
        return f"{fault.line}: {fault.how}{_times(fault)}."
    name = f"The select of {card_name(machine, _slot(fault.line))}"
    if fault.how in (FOLLOWS, EXCHANGED, SHORTED):
        return f"{name}: {fault.how} that of {card_name(machine, _slot(fault.other))}{_times(fault)}."
    if fault.how in DECODED:
        return f"{name}: {fault.how} {fault.other}{_times(fault)}."
    return f"{name}: {fault.how}{_times(fault)}."


def _slot(line: str) -> int | None:
    number = line.partition(".")[0]
    return int(number) if number.isdigit() else None


def _times(fault: LineFault) -> str:
    if fault.how == LOW:
        return f", in {digits(fault.shown)} of {digits(fault.could)} cycles in which it should be high"
    if fault.how == HIGH:
        return f", in {digits(fault.shown)} of {digits(fault.could)} cycles in which it should be low"
    times = f"{digits(fault.shown)} {'cycle' if fault.shown == 1 else 'cycles'}"
    if fault.how in (IGNORED, ANSWERED):
        return f", {digits(fault.shown)} times"
    return f", in {times}"


def steps(machine: Machine, fault: LineFault) -> list[str]:
    """What to do at the bench."""
    return _of_line(machine, fault) if is_pulled(fault.line) else _of_select(machine, fault)


def _of_select(machine: Machine, fault: LineFault) -> list[str]:
    name = card_name(machine, _slot(fault.line))
    places = ", ".join(f"${address:04X}" for address in fault.addresses)
    trigger = f"Trigger on {places} to see it." if len(fault.addresses) == 1 else f"It shows at {places}."
    if not fault.addresses:  # the address was not captured
        trigger = (
            f"Trigger on an access of it, and clip the address lines that its decoder hears: {_heard(machine, fault)}."
        )
    if fault.how == HIGH:
        return [
            f"Look at the select of {name}, at the card and at the decoder's output: it stays high where the address "
            "is its own. An output that is held, a wire that is off, or a jumper.",
            trigger,
        ]
    if fault.how == LOW:
        return [
            f"Look at the select of {name}, at the card and at the decoder's output: it is low where the address is "
            "another card's: a short to ground, or an enable of the decoder that is always true.",
            trigger,
        ]
    if fault.how == INVERTED:
        return [f"The select of {name} is the opposite of what it should be: a high-active output of the decoder."]
    if fault.how in (EXCHANGED, FOLLOWS, SHORTED):
        other = card_name(machine, _slot(fault.other))
        return [f"Follow the selects of {name} and {other} from the decoder to the slots: they are swapped, or touch."]
    if fault.how in DECODED:
        jumper = {
            TURNED: "stands for the other level",
            WITHOUT: "is not set: the decoder does not look at it",
            NEEDS_LOW: "is set to low, and should not be set",
        }.get(fault.how, "is set to high, and should not be set")
        return [
            f"Look at the decoder of {name}, at the jumper or input of {fault.other}: by what was seen it {jumper}.",
            trigger,
        ]
    where = f" at {places} and elsewhere" if fault.addresses else ""
    return [
        f"The select of {name} is wrong{where}, by no rule of one line: look at each input of its decoder, and whether "
        "the select comes in time.",
    ]


def _heard(machine: Machine, fault: LineFault) -> str:
    """Address lines by which a card is selected."""
    table = AddressLevels(machine, [fault.line]).at(
        machine.bus.reach.banks.number, np.arange(0x2_0000, dtype=np.uint32)
    )
    numbers = np.arange(len(table))
    heard = [line for bit, line in enumerate(ADDRESS_LINES) if (table != table[numbers ^ 1 << bit]).any()]
    return ", ".join(reversed(heard)) or "none"


def _of_line(machine: Machine, fault: LineFault) -> list[str]:
    line, at = fault.line, contacts.at_cpu(machine, fault.line)
    pulling = sorted({pin.slot for pin in machine.bus.nets.drivers(line) if pin.slot > 0})
    who = " or ".join(card_name(machine, slot) for slot in pulling) or "no card of this machine"
    if fault.how == IGNORED and line == READY:
        return [
            f"RDY is low and the CPU goes on: measure RDY at the CPU's own pin{at}. The wire to it is off, or "
            "tied high."
        ]
    if fault.how == IGNORED:
        return [
            f"{line} is low, the CPU lets interrupts in, and takes none: measure {line} at the CPU's own pin{at}. The "
            "wire from the line to it is off, or the pin is tied high."
        ]
    if fault.how == ANSWERED:
        return [
            f"The CPU takes interrupts while {line} is high: measure {line} at the CPU's own pin{at}. It floats, "
            "touches another pin, or the probe sits on another line."
        ]
    if fault.how == HIGH:
        return [
            f"By all accesses {who} pulls {line} low, and it stays high: look at the interrupt output there, its "
            "jumper, and the wire to the line. A pin that is low while the line is high is not joined to it."
        ]
    if fault.how == LOW:
        return [
            f"Nobody should pull {line}, and it is low: with the power off pull the cards one by one ({who}) until it "
            "is free. If it stays low, its pull-up is missing, or it touches ground."
        ]
    if fault.how == INVERTED:
        return [f"{line} is the opposite of what it should be: an inverting gate stands between {who} and the line."]
    return [
        f"{line} does not come when {who} should pull it: look at the interrupt output there, and at what else is "
        "joined to the line."
    ]
