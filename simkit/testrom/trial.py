"""A test ROM tried on the machine as it is described: where it ends, and what is shown."""

from __future__ import annotations

from collections.abc import Callable

import attrs

from simkit.machine.machine import Machine
from simkit.machine.views import Keys, Screen, Serial
from simkit.testrom.build import PASS, TestRom
from simkit.testrom.checks import Press

SLICE_SECONDS = 0.05
LONGEST_SECONDS = 60
"""Machine time after which it is given up; the longest check, of lamps, lasts five seconds."""
PRESS_AFTER_SECONDS, PRESS_SECONDS = 0.03, 0.25
"""After the ROM has begun to wait, and how long a contact is held: longer than the ROM lets it bounce and looks."""


@attrs.frozen
class Trial:
    """What came of it.

    Attributes:
        ends: label of the loop in which the CPU stays; "": in none.
        texts: what the screens and serial lines show, by their slots.
        seconds: machine time until then.
    """

    ends: str
    texts: dict[int, str]
    seconds: float


def lines_of(text: str) -> list[str]:
    """Lines without blanks behind them, and without empty ones at the end."""
    return "\n".join(line.rstrip() for line in text.splitlines()).rstrip("\n").splitlines()


def shown(machine: Machine) -> dict[int, str]:
    """Texts of all screens and serial lines."""
    return {
        slot: "\n".join(lines_of(port.text()))
        for slot, card in machine.cards.items()
        for port in card.ports.values()
        if isinstance(port, Screen | Serial)
    }


def press_as_asked(rom: TestRom, machine: Machine) -> None:
    """Have everything done that the ROM asks for, when it does."""
    for check in rom.plan.checks:
        for press in check.presses:
            at = rom.code.labels[press.label]
            machine.when(f"label:${at:04X}", _doing(machine, rom.survey.slot, press))


def _doing(machine: Machine, slot: int, press: Press) -> Callable[[int], None]:
    def do(cycle: int) -> None:
        if press.what == "type":
            keys = machine.cards[slot].ports["keys"]
            assert isinstance(keys, Keys)
            keys.type(press.name)
            return
        hz = float(machine.clock_hz)
        arguments = (press.number, press.name) if press.what == "pad" else (press.name,)
        port = "pads" if press.what == "pad" else "buttons"
        begin = cycle + int(PRESS_AFTER_SECONDS * hz)
        machine.outside(slot, port, "press", *arguments, at=begin)
        machine.outside(slot, port, "release", *arguments, at=begin + int(PRESS_SECONDS * hz))

    return do


def try_out(
    rom: TestRom,
    machine: Machine,
    *,
    longest: float = LONGEST_SECONDS,
    goes_on: Callable[[float], bool] = lambda part: True,
) -> Trial:
    """Run it to its end.

    Args:
        rom: the test ROM.
        machine: with its image, just switched on.
        longest: machine time after which it is given up.
        goes_on: told the part that is done; False ends it.
    """
    press_as_asked(rom, machine)
    ends = {address: label for label, address in rom.labels.items() if label.startswith(("FAIL_", "STRAY", PASS))}
    slice_cycles = int(SLICE_SECONDS * float(machine.clock_hz)) + 1
    while machine.seconds < longest and goes_on(machine.seconds / longest):
        machine.run(cycles=slice_cycles)
        if machine.cpu.pc in ends or machine.cpu.halted:
            machine.run(cycles=slice_cycles)  # the last bytes leave
            break
    return Trial(ends.get(machine.cpu.pc, ""), shown(machine), machine.seconds)
