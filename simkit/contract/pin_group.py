"""Pins of one card that carry a number together: a port, the outputs of a latch."""

from __future__ import annotations

from collections.abc import Iterable

from simkit.contract.lines import Drive, Pin


class PinGroup:
    """Pins by bit: the first is bit 0.

    What the pins carry is looked up when somebody asks, and kept until a line of theirs moves or is joined; what a pin
    carries that moves by the clock alone is looked up each time.

    Attributes:
        pins: as given.
        kept: levels of the others as last looked up; -1, which `Pin` and `Line` write: look again.
    """

    __slots__ = ("_driven", "_moving", "_out", "_undriven", "kept", "pins")

    def __init__(self, pins: Iterable[Pin]) -> None:
        self.pins = tuple(pins)
        self._moving: list[tuple[int, Pin]] = []  # those that move by the clock alone, with their bits
        self.forget()
        for pin in self.pins:
            pin.group = self

    def forget(self) -> None:
        """Look at everything again, and drive every pin the next time: their state was put there by somebody else."""
        self.kept = self._undriven = -1
        self._out = self._driven = -1

    def joined(self) -> None:
        """A pin was joined to a line, or a line of theirs got another pin."""
        self.kept = self._undriven = -1

    def levels(self, cycle: int) -> int:
        """Levels on the pins in `cycle`, bit by bit."""
        if self.kept < 0:
            self._look(cycle)
        value = self.kept
        for bit, pin in self._moving:
            if pin.level(cycle):
                value |= bit
        return value

    def _look(self, cycle: int) -> None:
        value, moving = 0, []
        for n, pin in enumerate(self.pins):
            if pin.clocked:
                moving.append((1 << n, pin))
            elif pin.level(cycle):
                value |= 1 << n
        self.kept, self._moving = value, moving

    @property
    def undriven(self) -> int:
        """Mask of the pins whose level nobody else can make: joined to nothing, or to inputs alone."""
        if self._undriven < 0:
            self._undriven = sum(1 << n for n, pin in enumerate(self.pins) if _undriven(pin))
        return self._undriven

    def drive(self, levels: int, driven: int, cycle: int) -> None:
        """Drive the pins whose bit in `driven` is 1 to their bit in `levels`, let go of the others; as `Pin.drive`."""
        levels &= driven
        if levels == self._out and driven == self._driven:
            return
        changed = levels ^ self._out | driven ^ self._driven if self._driven >= 0 else (1 << len(self.pins)) - 1
        self._out, self._driven = levels, driven
        while changed:
            bit = changed & -changed
            changed ^= bit
            self.pins[bit.bit_length() - 1].drive(levels & bit != 0 if driven & bit else None, cycle)
        if (self._out, self._driven) != (levels, driven):  # what moved drove the group anew
            self._out = self._driven = -1

    def restore(self, levels: int, driven: int) -> None:
        """Have open pins carry again what the card drove when it was saved; joined ones come with their lines."""
        self.forget()
        for n, pin in enumerate(self.pins):
            if pin.line is None:
                pin.value = bool(levels >> n & 1) if driven >> n & 1 else None


def _undriven(pin: Pin) -> bool:
    return pin.line is None or all(other is pin or other.spec.drive is Drive.INPUT for other in pin.line.pins)
