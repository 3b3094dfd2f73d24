"""What a comparison tells somebody to do at the bench, and what it says nothing about."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.compare import contacts, told_signals
from simkit.compare.apart import DATA_SHIFT
from simkit.compare.fed import PULLED
from simkit.compare.guessed import (
    EXCHANGED,
    FOLLOWS,
    FOUGHT,
    HIGH,
    INVERTED,
    LATE,
    LOW,
    NOT_TAKEN,
    OPEN,
    OTHER,
    SHORTED,
    LineFault,
    writing,
)
from simkit.compare.judged import LINES, Led
from simkit.compare.pins import MANY
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.machine.told import digits
from simkit.records.observed import SELECT

DATA = np.uint64(0xFF << DATA_SHIFT)
RW = np.uint64(1 << LINES.index("RW"))
SELDOM = 0.2
"""Share of the cycles in which a line is wrong; below it that is now and then. Ours."""


# what is at fault ---------------------------------------------------------------------------------------------------


def next_steps(machine: Machine, faults: Sequence[LineFault]) -> list[str]:
    """What to do at the bench about what is wrong with lines, the gravest first."""
    fault = faults[0]
    if told_signals.is_signal(fault.line):
        return told_signals.steps(machine, fault)
    other = _other_content(machine, faults)
    if other:
        return other
    card = card_name(machine, fault.slot)
    if fault.pin:
        return [
            f"Look at pin {fault.line}{contacts.at_card(machine, fault.slot, fault.line)} of {card} itself, from "
            "socket to backplane: the line on the bus is right.",
            "The bytes that come are its own, of another address.",
        ]
    if fault.how == NOT_TAKEN:
        return [
            f"Look at the write enable of {card}, at the chip's own pin{contacts.at_card(machine, fault.slot, 'WE')}, "
            "while the CPU writes there: it must go low "
            "while PHI2 is high. Its select and its data lines are right: its own bytes come.",
        ]
    if fault.how == FOUGHT:
        selects = _and([f"{seat.slot}.{SELECT}" for seat in machine.bus.seats if seat.slot != fault.slot])
        otherwise = (
            f"look at the write enable of {card}, at the chip's own pin: without it bits that were low stay low."
        )
        if _is_rom(machine, fault.slot):
            otherwise = "a card drives the data lines unasked: look at the output enables of their transceivers."
        return [
            f"Clip the selects of the other cards ({selects}), trigger on a read of ${fault.addresses[0]:04X}, and "
            "compare again: one that is low there answers as well, and its decoder is wrong.",
            f"Where none is, {otherwise}",
        ]
    if fault.addresses and _is_rom(machine, fault.slot):
        return [f"Read {card} back in the programmer and compare it (simkit burn --verify): its other bytes are right."]
    if fault.addresses and _is_memory(machine, fault.slot):
        return [
            f"Capture once more: where the same addresses of {card} differ again, it is the part; where others do, it "
            "is noise of the probe."
        ]
    if fault.addresses:
        return [
            f"Nothing but {', '.join(f'${address:04X}' for address in fault.addresses)} of {card} differs, so its data "
            f"lines and its select are right: look at what sets {fault.line} there, a pin of the card that comes from "
            "elsewhere, or its clock."
        ]
    if fault.slot is None:
        at = contacts.at_cpu(machine, fault.line)
        if fault.writes:
            return [_look(f"{fault.line} at the CPU's pin{at} while it writes (RW low)", fault)]
        puts = "right address" if fault.line in ADDRESS_LINES else "right level"
        return [
            _look(f"{fault.line} at the CPU's pin{at} and on the backplane", fault),
            f"The CPU puts out the {puts} by all that it does; what is between it and the probe changes the line.",
        ]
    between = contacts.between(machine, fault.line, fault.slot, card)
    right = [card_name(machine, slot) for slot in fault.right_at]
    alike = [one for one in faults[1:] if (one.line, one.how) == (fault.line, fault.how)]
    if right:
        return [
            _look(between, fault),
            f"Reads of {_and(right)} have it right: so it is not the line on the bus, but this card's pin.",
        ]
    if alike:
        scopes = [
            "when the CPU writes" if one.writes else f"when {card_name(machine, one.slot)} is read" for one in alike
        ]
        return [
            _look(f"{fault.line} on the backplane", fault),
            f"It is the same {_and(scopes)}: so it is the line, and no pin of one card. With the power off, pull the "
            "cards one by one until it is free.",
        ]
    return [
        _look(between, fault),
        f"No other card's reads show whether the line on the bus is right: probe it while {_another(machine, fault)}.",
    ]


def _other_content(machine: Machine, faults: Sequence[LineFault]) -> list[str]:
    """Where most data lines of a ROM are wrong, and none of them in a way of its own, it holds something else."""
    lines: dict[int | None, set[str]] = {}
    for one in faults:
        if one.how == OTHER and one.line in DATA_LINES and not one.writes and not one.addresses:
            lines.setdefault(one.slot, set()).add(one.line)
    for slot, wrong in lines.items():
        if len(wrong) > MANY and _is_rom(machine, slot):
            card = card_name(machine, slot)
            return [
                f"{card} gives other bytes on {len(wrong)} data lines, by no rule: it may hold another program than "
                "the image of the machine file.",
                "Compare with the image that was burned (--image), or read the part back (simkit burn --verify).",
            ]
    return []


def _is_rom(machine: Machine, slot: int | None) -> bool:
    return any(seat.slot == slot and seat.plain is not None and seat.plain.ignores_writes for seat in machine.bus.seats)


def _is_memory(machine: Machine, slot: int | None) -> bool:
    return any(seat.slot == slot and seat.plain is not None for seat in machine.bus.seats)


def _another(machine: Machine, fault: LineFault) -> str:
    """Cycles in which somebody else than the card drives the data lines."""
    others = [
        seat
        for seat in machine.bus.seats
        if seat.slot != fault.slot and seat.plain is not None and seat.plain.read is not None
    ]
    return f"{card_name(machine, others[0].slot)} is read" if others else "another card is read"


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _look(where: str, fault: LineFault) -> str:
    if fault.how == LOW:
        why = "a short to ground"
        if fault.slot is not None:  # a data line keeps what was on it
            why = "a short to ground, or a pin that drives nothing, where the line is left low by the cycle before"
        return f"Look at {where}: it was low in {_share(fault)} where it should be high: {why}."
    if fault.how == HIGH:
        return f"Look at {where}: it was high in {_share(fault)} where it should be low: open, or a short to +5 V."
    if fault.how == INVERTED:
        return f"Look at {where}: each level is the opposite. An inverting buffer stands in its way."
    if fault.how in (FOLLOWS, SHORTED):
        return f"Look at {where}, and measure it against {fault.other} with the power off: the two touch."
    if fault.how == EXCHANGED:
        return f"Look at {where}: it carries {fault.other}. Two wires are swapped."
    if fault.how in (OPEN, LATE):
        return (
            f"Look at {where}: it holds the level of the cycle before. The pin drives nothing, or it answers after "
            "PHI2 has fallen."
        )
    assert fault.how == OTHER
    if fault.share < SELDOM:
        return (
            f"Look at {where}: it is wrong in {fault.share:.1%} of the cycles and right in the others. A contact that "
            "comes and goes, or a chip that is just too slow: seat the card anew, look at its solder joints, and "
            "capture again while you press on it."
        )
    return f"Look at {where}: no simple fault of this one line makes what was seen; several lines may be wrong."


def _share(fault: LineFault) -> str:
    if fault.shown >= fault.could:
        return f"all of {digits(fault.shown)} cycles"
    return f"{digits(fault.shown)} of {digits(fault.could)} cycles"


# what it says nothing about -----------------------------------------------------------------------------------------


def unseen(machine: Machine, led: Led) -> list[str]:
    """Cards of which a capture without a disagreement proves nothing, and what to capture instead."""
    is_write = writing(led)
    away: list[str] = []
    read: list[str] = []
    for seat in machine.bus.seats:
        if not seat.registers and seat.plain is None:  # it has no addresses
            continue
        here = led.slot == seat.slot
        reads = here & ~is_write & (led.known & RW != 0)
        if not here.any():
            away.append(seat.title)
        elif reads.any() and not (reads & (led.known & DATA != 0)).any():
            read.append(seat.title)
    idle = [name for name in PULLED if name in led.names and not _is_pulled(led, name)]
    found = []
    if idle:
        verb = "works" if len(idle) == 1 else "work"
        found.append(f"It does not say whether {_and(idle)} {verb}: nobody is known to pull low in it.")
    if away:
        found.append(f"It says nothing about {_and(away)}: not accessed in it.")
    if read:
        why = (
            "what was read of it goes by moments and by what people press"
            if led.from_reset
            else "that is known from RESET on alone, and the capture begins later"
        )
        found.append(f"It does not say whether {_and(read)} answered rightly: {why}.")
    unprobed = [
        seat
        for seat in machine.bus.seats
        if seat.registers and f"{seat.slot}.{SELECT}" not in led.names and (led.slot == seat.slot).any()
    ]
    if unprobed:
        selects = _and([f"{seat.slot}.{SELECT}" for seat in unprobed])
        found.append(
            f"It does not show whether what is written reaches {_and([seat.title for seat in unprobed])}: clip "
            f"{selects} as well, and it is compared."
        )
    if away or read:
        found.append(
            "Next, if that is where it goes wrong: capture "
            + ("an access of it (trigger on its select)" if led.from_reset else "from RESET on")
            + ", or hold what is seen against single faults: simkit suspect MACHINE --seen CAPTURE."
        )
    return found


def _is_pulled(led: Led, name: str) -> bool:
    """Whether somebody should pull a line low somewhere."""
    one = np.uint64(1) << np.uint64(led.names.index(name))
    return bool((led.known & ~led.levels & one != 0).any())
