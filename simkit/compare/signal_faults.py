"""What is wrong with selects and with lines that cards pull, told by the columns of a led capture."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.compare.guessed import OTHER, Guess, LineFault, line_fault
from simkit.compare.judged import Led
from simkit.compare.signals import READY
from simkit.machine.machine import Machine
from simkit.records.observed import AddressLevels

TURNED, WITHOUT, NEEDS_LOW, NEEDS_HIGH = (
    "decoded with the other level of",
    "decoded without",
    "decoded with, low,",
    "decoded with, high,",
)
"""One jumper of a select in another place."""
IGNORED, ANSWERED = "not answered by the CPU", "answered by the CPU though it is high"
DECODED = (TURNED, WITHOUT, NEEDS_LOW, NEEDS_HIGH)
SHOWN = 4
"""Addresses of a select that are listed. Ours."""


def diagnose_signals(machine: Machine, led: Led) -> list[LineFault]:
    """What is wrong with them, the gravest first."""
    apart = {(each.signal, each.heard) for each in led.disagreements if each.signal}
    found = []
    for name, heard in sorted(apart):
        fault = _heard(led, name) if heard else _line(machine, led, name)
        if fault is not None:
            found.append(fault)
    return sorted(found, key=lambda each: (each.how == OTHER, -each.shown))


def _line(machine: Machine, led: Led, name: str) -> LineFault | None:
    every = np.ones(len(led), bool)
    slot, dot, _ = name.partition(".")
    if not dot:
        return line_fault(led, name, every, None, writes=False)
    fault = line_fault(led, name, every, None, writes=False, more=_jumpers(machine, led, name))
    if fault is None:
        return None
    bit = np.uint64(1) << np.uint64(led.names.index(name))
    wrong = (led.levels ^ led.seen) & led.known & led.seen_known & bit != 0
    places, counts = np.unique((led.levels[wrong] & np.uint64(0xFFFF)).astype(np.int64), return_counts=True)
    often = places[np.argsort(-counts, kind="stable")][:SHOWN]
    return attrs.evolve(fault, slot=int(slot), addresses=tuple(sorted(often.tolist())))


def _jumpers(machine: Machine, led: Led, name: str) -> Callable[[NDArray[np.intp]], Iterator[Guess]]:
    """Guesses: one address line is decoded otherwise."""
    every = np.arange(0x2_0000, dtype=np.uint32)
    table = AddressLevels(machine, [name]).at(machine.bus.reach.banks.number, every) != 0

    def guesses(rows: NDArray[np.intp]) -> Iterator[Guess]:
        bus = np.uint64(0x1_FFFF)
        told = led.known[rows] & np.uint64(0xFFFF) == np.uint64(0xFFFF)
        index = (np.where(told, led.levels[rows], led.seen[rows]) & bus).astype(np.int64)
        mine = table[index]
        for bit, line in enumerate(ADDRESS_LINES):
            other = table[index ^ 1 << bit]
            is_high = index >> bit & 1 != 0
            yield NEEDS_LOW, line, mine | is_high
            yield NEEDS_HIGH, line, mine | ~is_high
            yield TURNED, line, other
            yield WITHOUT, line, mine & other

    return guesses


def _heard(led: Led, name: str) -> LineFault:
    """The CPU does not do what a line tells it to."""
    rows = [each.row for each in led.disagreements if each.heard and each.signal == name]
    one = np.uint64(1) << np.uint64(led.names.index(name))
    before = led.seen[max(0, rows[0] - 1)] & one != 0
    how = ANSWERED if name != READY and before else IGNORED
    return LineFault(name, how, "", None, False, False, len(rows), len(rows), (), rows[0], 1.0)
