"""Pins of one card that carry a number together: a port, the outputs of a latch."""

from __future__ import annotations

from collections.abc import Iterable

from simkit.contract.errors import CardMisuse, shown
from simkit.contract.held_moves import HeldMoves
from simkit.contract.lines import Drive, Pin
from simkit.contract.turn import ANY_TIME, Turn


class PinGroup:
    """Pins by bit: the first is bit 0.

    What the pins carry is looked up when somebody asks, kept, and follows what their lines do; what a pin carries that
    moves by the clock alone is looked up each time. Moves that nobody can see before he asks are held back.

    Attributes:
        pins: as given.
        kept: levels of the others as last looked up; -1: look again.
        turn: when they may be driven.
    """

    __slots__ = (
        "_driven",
        "_hearing",
        "_held",
        "_moving",
        "_out",
        "_quiet",
        "_slot",
        "_undriven",
        "kept",
        "pins",
        "turn",
    )

    def __init__(self, pins: Iterable[Pin]) -> None:
        self.pins = tuple(pins)
        self._slot = self.pins[0].slot if self.pins else 0
        self._moving: list[tuple[int, Pin]] = []  # those that move by the clock alone, with their bits
        self._held: HeldMoves | None = None
        self._quiet = -1  # mask of the pins whose moves are held back; -1: to be looked up
        self._hearing: list[PinGroup] = []  # other groups on their lines
        self.turn: Turn = ANY_TIME
        self.forget()
        for n, pin in enumerate(self.pins):
            pin.group, pin.bit = self, 1 << n
            if pin.line is not None:
                pin.line.survey()

    def forget(self) -> None:
        """Look at everything again, and drive every pin the next time: their state was put there by somebody else."""
        self.kept = self._undriven = -1
        self._out = self._driven = -1

    def let_go(self, bit: int) -> None:
        """The pin drives nothing, whatever the group drove it to."""
        if self._driven >= 0:
            self._driven &= ~bit
            self._out &= ~bit

    def joined(self) -> None:
        """A pin was joined to a line, or a line of theirs is driven or followed by somebody else than before."""
        self.kept = self._undriven = self._quiet = -1

    def moved(self, bit: int, level: bool) -> None:
        """The line of a pin has another level."""
        if self.kept < 0:
            return
        if self._moving:
            self.kept = -1
        else:
            self.kept = self.kept | bit if level else self.kept & ~bit

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
        """Drive the pins whose bit in `driven` is 1 to their bit in `levels`, let go of the others; as `Pin.drive`.

        Raises:
            CardMisuse: levels or cycle are no whole numbers, or it is not the card's turn.
        """
        levels &= driven
        if driven == self._driven:
            changed = levels ^ self._out
            if not changed:
                return
            if cycle is not self.turn.cycle:
                self._check(cycle)
            self._out = levels
            changed &= ~self._hold_back(changed, levels, cycle)
        else:
            every = (1 << len(self.pins)) - 1
            changed = levels ^ self._out | driven ^ self._driven if self._driven >= 0 else every
            self._out, self._driven = levels, driven
        while changed:
            bit = changed & -changed
            changed ^= bit
            self.pins[bit.bit_length() - 1].drive(levels & bit != 0 if driven & bit else None, cycle)
        if self._out != levels or self._driven != driven:  # what moved drove the group anew
            self._out = self._driven = -1

    def _check(self, cycle: object) -> None:
        if type(cycle) is not int:
            raise CardMisuse(f"drove a group of pins in cycle {shown(cycle)}", "Hand on the cycle of the call.")
        self.turn.check(self._slot, "moved a group of pins", cycle)

    def _hold_back(self, changed: int, levels: int, cycle: int) -> int:
        """Have the moves among these that nobody follows written later; mask of their pins."""
        if self._quiet < 0:
            self._find_quiet()
        held = self._held
        if held is None or not (quiet := changed & self._quiet):
            return 0
        held.add(quiet, levels, cycle)
        if self.kept >= 0:
            self.kept = self.kept & ~quiet | levels & quiet
        for group in self._hearing:
            group.kept = -1
        return quiet

    def _find_quiet(self) -> None:
        """Look which pins make moves that can be held back.

        None of them where a line is observed: what an observer does may drive the group anew, and then the order in
        which its pins move matters.
        """
        joined = [(pin, pin.line) for pin in self.pins if pin.line is not None]
        quiet = [(pin, line) for pin, line in joined if line.can_hold_moves_of(pin)]
        if not quiet or any(line.observers for _, line in joined):
            self._quiet, self._held, self._hearing = 0, None, []
            return
        self._quiet = sum(pin.bit for pin, _ in quiet)
        self._held = HeldMoves((pin for pin, _ in quiet), quiet[0][1].nets)
        groups = {id(other.group): other.group for _, line in quiet for other in line.pins}
        self._hearing = [group for group in groups.values() if group is not None and group is not self]

    def restore(self, levels: int, driven: int) -> None:
        """Have open pins carry again what the card drove when it was saved; joined ones come with their lines."""
        self.forget()
        for n, pin in enumerate(self.pins):
            if pin.line is None:
                pin.value = bool(levels >> n & 1) if driven >> n & 1 else None


def _undriven(pin: Pin) -> bool:
    if pin.line is None:
        return True
    lines = (pin.line, *pin.line.bridged)
    if any(line.tied is not None for line in lines):
        return False
    return all(other is pin or other.spec.drive is Drive.INPUT for line in lines for other in line.pins)
