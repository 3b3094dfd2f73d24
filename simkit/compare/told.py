"""A comparison in words: how much agrees, where it first does not, what is wrong with which line, what to do next."""

from __future__ import annotations

from typing import Any

import numpy as np

from simkit.compare import told_signals
from simkit.compare.advised import next_steps, unseen
from simkit.compare.apart import DATA_SHIFT
from simkit.compare.followed import Difference, Read
from simkit.compare.guessed import EXCHANGED, FOLLOWS, FOUGHT, HIGH, LOW, NOT_TAKEN, SHORTED, LineFault
from simkit.compare.judged import LINES, Led, Verdict
from simkit.compare.rows import SYNC_BIT, WRITE_BIT
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine

AROUND = 4
"""Cycles that are shown before and behind a disagreement."""
SHOWN = 8
"""Registers, and lines, that are listed."""
FEWEST = 48
"""Cycles below which a capture is too short to say that it is not this machine's."""
FEW_FOLLOWED = 0.5
"""Share of the rows in which the CPU was in step; below it that is told first."""


def report(machine: Machine, led: Led, faults: list[LineFault]) -> list[str]:
    """Lines for people."""
    lines = [_summary(led)]
    lines += _in_step(led)
    first = led.first
    if first is None:
        noise = int((led.verdict == Verdict.NOISE).sum())
        if len(led.parts):
            lines.append("No disagreement: each cycle that can be told is what this machine does.")
        if noise:
            verbs = ("differs", "leaves") if noise == 1 else ("differ", "leave")
            lines.append(
                f"{_count(noise, 'cycle')} {verbs[0]} once and {verbs[1]} no trace in what follows: noise of the probe."
            )
        return [*lines, *(unseen(machine, led) if len(led.parts) else ())]
    lines += ["", f"First disagreement: cycle {_grouped(first.row)} of the capture.", *_context(machine, led, first)]
    lines += ["", *(sentence(machine, fault) for fault in faults[:SHOWN])]
    lines += _places(machine, led)
    if faults:
        lines += ["", "At the bench:", *(f"  {text}" for text in _steps(machine, led, faults))]
    return lines


def _steps(machine: Machine, led: Led, faults: list[LineFault]) -> list[str]:
    """What to do, and what to trigger on to see it."""
    first, fault = led.first, faults[0]
    steps = next_steps(machine, faults) if faults else []
    if first is None or first.signal or first.control or fault.addresses or told_signals.is_signal(fault.line):
        return steps
    name = machine.place(first.address).name
    label = f"${first.address:04X}{f' ({name})' if name else ''}"
    return [
        *steps,
        f"To see it, trigger on a {'write' if first.is_write else 'read'} of {label}: there it differs first.",
    ]


def as_dict(machine: Machine, led: Led, faults: list[LineFault]) -> dict[str, Any]:
    """The same for programs."""
    first = led.first
    return {
        "cycles": len(led),
        "agree": int((led.verdict == Verdict.FITS).sum()),
        "untold": int((led.verdict == Verdict.UNTOLD).sum()),
        "noise": int((led.verdict == Verdict.NOISE).sum()),
        "cpu_wrong": int((led.verdict == Verdict.CPU).sum()),
        "card_wrong": int((led.verdict == Verdict.CARD).sum()),
        "wire_wrong": int((led.verdict == Verdict.WIRE).sum()),
        "from_reset": led.from_reset,
        "in_step": [list(part) for part in led.parts],
        "stopped_at": led.stopped,
        "first": None if first is None else difference_as_dict(machine, led, first),
        "lines": [_fault_as_dict(machine, fault) for fault in faults],
        "places": [
            {"slot": slot, "address": address, "register": register, "cycles": count}
            for (slot, address, register), count in _by_place(machine, led)
        ],
        "unseen": unseen(machine, led),
        "next": _steps(machine, led, faults) if faults else [],
    }


def _count(number: int, what: str) -> str:
    return f"{_grouped(number)} {what}{'' if number == 1 else 's'}"


def _summary(led: Led) -> str:
    agree = int((led.verdict == Verdict.FITS).sum())
    wrong = int(np.isin(led.verdict, [Verdict.CPU, Verdict.CARD, Verdict.WIRE]).sum())
    return f"{_count(len(led), 'cycle')} captured: {_grouped(agree)} agree, {_grouped(wrong)} do not."


def _grouped(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _in_step(led: Led) -> list[str]:
    if not led.parts and len(led) < FEWEST:
        return [f"Too few to tell anything: the CPU is followed where {FEWEST} or more come one after the other."]
    if not led.parts:
        return [
            "The CPU of this machine does not do anywhere what the capture shows.",
            "Is it this machine's bus, and do the channels bear the right names? Look at A0, RW and SYNC first.",
        ]
    inside = sum(end - first for first, end in led.parts)
    began = (
        "from RESET on" if led.from_reset else "from the middle of the program on, registers known as they are loaded"
    )
    found = [f"The CPU was followed {began}, {_count(inside, 'cycle')} in {_count(len(led.parts), 'part')}."]
    if inside < FEW_FOLLOWED * len(led):
        found.append(
            "In the rest it does what no program of this machine makes it do: it has run away or stands still."
        )
    if led.stopped is not None:
        found.append(f"Broken off at cycle {led.stopped}.")
    return found


# the first -----------------------------------------------------------------------------------------------------------


def _context(machine: Machine, led: Led, first: Difference) -> list[str]:
    pc, found = led.pc(first.row), []
    if pc is not None:
        place = machine.place(pc)
        found = [f"  In the instruction at {place.words()}{f': {place.source.strip()}' if place.source else ''}"]
    found.append(f"  {what(machine, first)}")
    found.append(f"  {'cycle':>9}  {'captured':<24}  {'this machine':<24}")
    for row in range(max(0, first.row - AROUND), min(len(led), first.row + AROUND + 1)):
        mark = "*" if row == first.row else " "
        found.append(
            f"{mark} {row:>9}  {_cycle(led.seen, led.seen_known, row):<24}  {_cycle(led.levels, led.known, row)}"
        )
    return found


def _cycle(levels: Any, known: Any, row: int) -> str:
    word, mask = int(levels[row]), int(known[row])
    if not mask & 0x1FFFF:
        return "(not followed)"
    address = f"${word & 0xFFFF:04X}" if mask & 0xFFFF == 0xFFFF else "some of " + f"${word & 0xFFFF:04X}"
    byte = f"${word >> DATA_SHIFT & 0xFF:02X}" if mask >> DATA_SHIFT & 0xFF == 0xFF else "(any byte)"
    fetch = ", opcode" if word & mask & 1 << LINES.index("SYNC") else ""
    return f"{'reads' if word & 1 << LINES.index('RW') else 'writes'} {address} {byte}{fetch}"


def what(machine: Machine, one: Difference) -> str:
    """What disagrees in a cycle, in a sentence or two."""
    if one.signal:
        return told_signals.what(machine, one)
    if one.control & 0xFFFF:
        seen = one.address ^ one.control & 0xFFFF
        return f"The CPU puts out ${one.address:04X}; the capture shows ${seen:04X}."
    if one.control:
        if one.control & WRITE_BIT:
            does, shown = ("writes", "a read") if one.is_write else ("reads", "a write")
            return f"The CPU {does} ${one.address:04X}; R/W shows {shown}."
        what = "fetches an opcode" if one.word & SYNC_BIT else "fetches no opcode"
        return f"The CPU {what} at ${one.address:04X}; SYNC shows otherwise."
    if one.is_write:
        return f"The CPU writes ${one.expected:02X} to ${one.address:04X}; the capture shows ${one.captured:02X}."
    told = {Read.CAPTURED: " The CPU went on by the captured byte."}.get(one.read, "")
    who = f"{card_name(machine, one.slot)} holds" if one.slot is not None else "this machine has"
    return f"At ${one.address:04X} {who} ${one.expected:02X}; ${one.captured:02X} was read.{told}"


# lines ---------------------------------------------------------------------------------------------------------------


def sentence(machine: Machine, fault: LineFault) -> str:
    """What is wrong with a line."""
    if told_signals.is_signal(fault.line):
        return told_signals.sentence(machine, fault)
    if fault.how == NOT_TAKEN:
        times = f"{_count(fault.shown, 'read')} of it {'gives' if fault.shown == 1 else 'give'} what was there before"
        return f"{card_name(machine, fault.slot)} {fault.how}: {times}."
    if fault.how == FOUGHT:
        times = f"{_count(fault.shown, 'read')} of it {'comes' if fault.shown == 1 else 'come'}"
        return (
            f"{card_name(machine, fault.slot)} {fault.how}: {times} with bits of {fault.other} low that should be high."
        )
    other = f" {fault.other}" if fault.how in (FOLLOWS, EXCHANGED, SHORTED) else ""
    what = f"{'Address pin ' if fault.pin else ''}{fault.line}"
    return f"{what}, {_scope(machine, fault)}: {fault.how}{other}{_times(fault)}."


def _scope(machine: Machine, fault: LineFault) -> str:
    if fault.pin:
        return f"{card_name(machine, fault.slot)}"
    if fault.slot is not None:
        return f"when {card_name(machine, fault.slot)} is read"
    return "when the CPU writes" if fault.writes else "in all cycles"


def _times(fault: LineFault) -> str:
    if fault.addresses:
        return f", at {', '.join(f'${address:04X}' for address in fault.addresses)} alone"
    if fault.pin:
        return f": {_count(fault.shown, 'byte')} stand elsewhere in it"
    if fault.how == LOW:
        return f", in {fault.shown} of {fault.could} cycles in which it should be high"
    if fault.how == HIGH:
        return f", in {fault.shown} of {fault.could} cycles in which it should be low"
    return f", in {_count(fault.shown, 'cycle')}"


# places --------------------------------------------------------------------------------------------------------------


def _by_place(machine: Machine, led: Led) -> list[tuple[tuple[int | None, int, str], int]]:
    counted: dict[tuple[int | None, int, str], int] = {}
    for each in led.disagreements:
        if told_signals.is_pulled(each.signal) or each.control:  # the CPU's own lines are wrong, wherever it goes
            continue
        key = each.slot, each.address, _register(machine, each)
        counted[key] = counted.get(key, 0) + 1
    return sorted(counted.items(), key=lambda item: (-item[1], item[0][1]))


def _register(machine: Machine, one: Difference) -> str:
    """Name of the register at an address, "" for memory."""
    side = "w" if one.is_write else "r"
    for seat, offset in machine.bus.where(one.address, is_write=one.is_write):
        for register in seat.registers:
            if register.offset == offset and side in register.access:
                return register.name
    return ""


def _places(machine: Machine, led: Led) -> list[str]:
    places = _by_place(machine, led)
    if not places:
        return []
    found = ["", "Where, most often first:"]
    for (slot, address, register), count in places[:SHOWN]:
        name = register or machine.place(address).name or ""
        found.append(f"  {count:>7}  ${address:04X} {name:<20} {card_name(machine, slot)}".rstrip())
    if len(places) > SHOWN:
        found.append(f"  and {len(places) - SHOWN} more addresses")
    return found


def difference_as_dict(machine: Machine, led: Led, one: Difference) -> dict[str, Any]:
    """The same for programs."""
    place = machine.place(one.pc)
    return {
        "cycle": one.row,
        "seconds": float(led.captured.time[one.row]),
        "address": one.address,
        "captured_address": one.address ^ one.control & 0xFFFF,
        "is_write": one.is_write,
        "expected": one.expected,
        "captured": one.captured,
        "slot": one.slot,
        "signal": one.signal or None,
        "pc": one.pc,
        "label": place.name,
        "file": place.file,
        "line": place.line,
        "cpu_took": one.read.name.lower(),
        "text": what(machine, one),
    }


def _fault_as_dict(machine: Machine, fault: LineFault) -> dict[str, Any]:
    return {
        "line": fault.line,
        "is_pin": fault.pin,
        "how": fault.how,
        "other": fault.other or None,
        "slot": fault.slot,
        "writes": fault.writes,
        "shown": fault.shown,
        "could": fault.could,
        "addresses": list(fault.addresses),
        "text": sentence(machine, fault),
    }
