"""A machine run again from power-on, with the input that came in the cycles in which it came.

again = Again(machine)                 # in cycle 0
machine.run(seconds=2)
other = again.machine()                # in cycle 0, with the same input to come

It costs nothing but the input while the machine runs. Who wants to stand anywhere in the past keeps a `Past`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.backplane.watchers import OutsideEvent
from simkit.machine.history import Bystander, registers_of

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

MOST_INPUTS = 200_000


class Again(Bystander):
    """Remembers what is needed to run a machine again.

    Args:
        machine: in cycle 0.

    Attributes:
        of: the machine.
        power_ons: how often it was switched off and on since.
        whole: whether a machine run again does the same: nothing was changed by hand since power-on, and no state was
            loaded.
    """

    def __init__(self, machine: Machine) -> None:
        self._begin(machine)

    def _begin(self, machine: Machine) -> None:
        self.of = machine
        self._inputs: list[OutsideEvent] = []
        self.power_ons = 0
        self.whole = machine.cycle == 0 and not machine.inside_instruction
        self._seen = registers_of(machine)
        self._watch = machine.bus.watchers.add(outside=self._come, run=self)
        machine.histories.append(self)

    def stop(self) -> None:
        """Remember nothing more."""
        self._watch.remove()
        if self in self.of.histories:
            self.of.histories.remove(self)

    @property
    def cycle(self) -> int:
        """In which the machine stands."""
        return self.of.cycle

    def machine(self) -> Machine:
        """Another machine of the same kind and names in cycle 0, with the same input to come."""
        mine = self.of
        other = type(mine)(mine.description, mine.images(), engine=mine.engine)
        other.named_as(mine)
        self.give_input(other)
        return other

    def give_input(self, machine: Machine) -> None:
        """Queue the input that came for another machine in cycle 0."""
        for cycle, slot, port, action, arguments in self._inputs:
            machine.outside(slot, port, action, *arguments, at=cycle)

    def so_far(self) -> tuple[tuple[OutsideEvent, ...], bool]:
        """What is remembered now, for `go_on_behind`."""
        return tuple(self._inputs), self.whole

    def go_on_behind(self, so_far: tuple[tuple[OutsideEvent, ...], bool]) -> None:
        """The machine was just given the state of another one of its kind, of which this was remembered."""
        inputs, self.whole = so_far
        self._inputs = list(inputs)
        self._seen = registers_of(self.of)

    def _come(self, event: OutsideEvent) -> None:
        if len(self._inputs) == MOST_INPUTS:
            self.whole = False
        if self.whole:
            self._inputs.append(event)

    def about_to_run(self) -> None:
        """Registers may have been changed by hand."""
        if registers_of(self.of) != self._seen:
            self.whole = False

    def has_run(self, error: BaseException | None) -> None:
        """They are what running made of them; an instruction given up in its middle ends otherwise next time."""
        self._seen = registers_of(self.of)
        if error is not None:
            self.whole = False

    def poked(self, address: int, value: int) -> None:
        """A byte was put into memory."""
        self.whole = False

    def state_loaded(self, data: bytes, before: int) -> None:
        """It goes on elsewhere."""
        self.whole = False

    def power_cycled(self, before: int) -> None:
        """It begins anew, but for what memories keep without power."""
        self._inputs.clear()
        self.power_ons += 1
        self._seen = registers_of(self.of)
        self.whole = not any(seat.kept(0) for seat in self.of.bus.seats)

    def faults_changed(self) -> None:
        """It is another machine from now on."""
        self.whole = self.whole and self.of.cycle == 0

    def go_on_with(self, machine: Machine) -> None:
        """Another machine, loaded anew, takes the place of this one."""
        self.stop()
        self._begin(machine)
