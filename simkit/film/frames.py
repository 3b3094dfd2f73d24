"""The frames of a screen, taken while the machine runs: each whole frame once, with the exact time it is shown."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import attrs

from simkit.contract.events import NEVER
from simkit.files.png import screen_rows
from simkit.machine.history import Bystander
from simkit.machine.machine import Machine
from simkit.machine.views import Screen


@attrs.frozen
class Frame:
    """A picture.

    Attributes:
        number: of the frame since power-on; the first that ends is 1.
        seconds: how long it is shown, exact.
        rows: palette numbers, row by row from the top.
    """

    number: int
    seconds: Fraction
    rows: tuple[bytes, ...]


class Frames(Bystander):
    """Hands over each frame that ends from a cycle on, while the machine runs.

    Args:
        machine: the machine.
        slot: of the card with the screen.
        border: with the border round the picture.
        take: gets each frame.

    Attributes:
        palette: red, green, blue by palette number.
        next_look: cycle in which the next look is due.
    """

    def __init__(self, machine: Machine, slot: int, *, border: bool, take: Callable[[Frame], None]) -> None:
        self._slot = slot
        self._border = border
        self._take = take
        self._begin: int | None = None
        self._seen: int | None = None
        self.next_look: int = NEVER
        self._show(machine)

    def _show(self, machine: Machine) -> None:
        self._machine = machine
        self._port = machine.port(Screen, self._slot).port
        self.palette = self._port.palette
        self._handle = machine.bus.watchers.add(run=self)
        machine.histories.append(self)

    def begin_with(self, cycle: int) -> None:
        """Frames are wanted that end behind that cycle, which may be to come."""
        self._begin = cycle
        self.next_look = max(cycle, self._machine.cycle + 1)

    def stop(self) -> None:
        """No more frames are wanted than those that have ended."""
        if self._begin is not None and self._machine.cycle >= self._begin:
            self._look()
        self.next_look = NEVER
        self._handle.remove()
        self._machine.histories.remove(self)

    def has_run(self, error: BaseException | None) -> None:
        """Hand over the frame that has ended since the last look, if one has."""
        if error is None and self._machine.cycle >= self.next_look:
            self._look()
            # Twice in a frame, so that none ends unseen.
            self.next_look = self._machine.cycle + max(1, int(self._port.frame_cycles / 2))

    def _look(self) -> None:
        machine = self._machine
        number = self._port.frames(machine.cycle)
        if self._seen is not None and number != self._seen:
            rows = tuple(screen_rows(self._port, machine.cycle, border=self._border))
            self._take(Frame(number, self._port.frame_cycles / machine.clock_hz, rows))
        self._seen = number

    def power_cycled(self, before: int) -> None:
        """The screen counts anew, and frames go on to be wanted where they were."""
        if self._begin is not None and self._begin < before:
            self._seen, self.next_look = 0, 1

    def state_loaded(self, data: bytes, before: int) -> None:
        """The screen counts on from where the state says."""
        if self._seen is not None:
            self._seen = self._port.frames(self._machine.cycle)
            self.next_look = self._machine.cycle + 1

    def go_on_with(self, machine: Machine) -> None:
        """Another machine takes the place of this one."""
        wanted = self._seen is not None
        self._handle.remove()
        self._show(machine)
        if wanted:
            self._seen, self.next_look = 0, machine.cycle + 1
