"""Test vectors of a fuse map, tried on the part that the fuses make: what the file itself says that it does.

What the characters mean, and their order (inputs, then the clock, then what is expected): [J3A] JEDEC Standard No. 3-A,
named in `jedec.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from simkit.logic.drive import Drive
from simkit.logic.fuses.jedec import FuseMap
from simkit.logic.fuses.program import Program
from simkit.logic.fuses.settling import Settled, settle

_PULSES = {"C": (0, 1, 0), "K": (1, 0, 1)}
_LEVELS = {"0": 0, "1": 1}


def vectors_that_fail(program: Program, fuse_map: FuseMap) -> Iterator[str]:
    """A sentence for each test vector that the part does not pass, or that cannot be tried, in their order."""
    bench = _Bench(program, fuse_map.unknown_level)
    for vector in fuse_map.vectors:
        by_pin = dict(zip(fuse_map.pin_order, vector.characters, strict=True))
        where = f"Test vector {vector.number} (line {vector.line})"
        if untried := sorted(set(vector.characters) & set("23456789B")):
            yield f"{where} is not tried: it asks for {', '.join(untried)}, a higher voltage or a buried register."
        elif by_pin.get(program.device.clock) == "P":
            bench.load(by_pin)
        else:
            found = bench.applied(by_pin)
            for pin, wanted in sorted(by_pin.items()):
                if wanted in "LHZ" and (seen := _seen(found, pin)) != wanted:
                    yield f"{where}: pin {pin} is to be {wanted} and {seen if len(seen) > 1 else f'is {seen}'}."


def _seen(found: Settled, pin: int) -> str:
    if found.restless.get(pin):
        return "never comes to rest"
    if pin in found.drives and not found.drives[pin].driven:
        return "Z"
    return "H" if found.levels.get(pin, 1) else "L"


class _Bench:
    """The part in the tester's socket."""

    def __init__(self, program: Program, unknown_level: int | None) -> None:
        self._program = program
        self._unknown_level = unknown_level
        self._q = program.power_up()
        self._clock = 1  # nobody knows; only a rise that is seen counts

    def load(self, by_pin: Mapping[int, str]) -> None:
        """Give the flip-flops the levels that their pins are to have."""
        for pin in self._program.registers:
            if by_pin[pin] in _LEVELS:
                self._q[pin] = _LEVELS[by_pin[pin]] ^ self._program.outputs[pin].inverted

    def applied(self, by_pin: Mapping[int, str]) -> Settled:
        """What stands at the pins after a vector."""
        levels = {pin: _LEVELS[character] for pin, character in by_pin.items() if character in _LEVELS}
        if self._unknown_level is not None:
            unknown = {pin for pin, character in by_pin.items() if character == "X"} - self._program.outputs.keys()
            levels |= dict.fromkeys(unknown, self._unknown_level)
        pulses = {pin: _PULSES[character] for pin, character in by_pin.items() if character in _PULSES}
        found = self._stable(levels | {pin: pulse[0] for pin, pulse in pulses.items()})
        for step in (1, 2) if pulses else ():
            found = self._stable(levels | {pin: pulse[step] for pin, pulse in pulses.items()})
        return found

    def _stable(self, levels: dict[int, int]) -> Settled:
        """What stands at the pins with these levels from outside; the clock comes after all others."""
        clock = self._program.device.clock
        if self._program.registers and self._clock == 0 and levels.get(clock) == 1:
            before = self._settled(levels | {clock: 0})
            self._q = self._program.clocked(before.levels, before.registers, 1)
        self._clock = levels.get(clock, self._clock)
        found = self._settled(levels)
        self._q = dict(found.registers)
        return found

    def _settled(self, levels: dict[int, int]) -> Settled:
        return settle(self._program, {pin: Drive(1, level) for pin, level in levels.items()}, self._q, 1)
