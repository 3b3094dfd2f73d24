"""Whoever keeps a machine's history is told of all that changes the machine, but for what its own running does.

Input is not told here: `Watchers.add(outside=)` tells of it, as it is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from simkit.contract.events import NEVER

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

_SETTABLE = ("pc", "a", "x", "y", "sp", "p", "cycle")


def registers_of(machine: Machine) -> tuple[int, ...]:
    """What of the CPU may be changed by hand, to notice that it was."""
    return tuple(getattr(machine.cpu, name) for name in _SETTABLE)


class History(Protocol):
    """One that is told: `Machine.histories` holds it, and `Watchers.add(run=)` has it told of runs."""

    @property
    def next_look(self) -> int:
        """Cycle from which on it wants to see the machine between two instructions; a long run stops there shortly."""

    def about_to_run(self) -> None:
        """The CPU is about to run, for an instruction, a cycle, or long."""

    def has_run(self, error: BaseException | None) -> None:
        """It stands still again; with an error the instruction under way was given up where it was."""

    def poked(self, address: int, value: int) -> None:
        """A byte was put into memory."""

    def about_to_be_another(self) -> None:
        """It stands for the last time as it is: a power cycle or a state to load makes it another."""

    def state_loaded(self, data: bytes, before: int) -> None:
        """The machine, in cycle `before`, has become what `save_state` gave."""

    def power_cycled(self, before: int) -> None:
        """The machine, in cycle `before`, was switched off and on."""

    def faults_changed(self) -> None:
        """A fault was put into the machine, or taken out."""

    def go_on_with(self, machine: Machine) -> None:
        """Another machine, loaded anew, takes the place of this one."""


class Bystander(History):
    """One that only wants to know of some of it: nothing happens on what it does not say."""

    next_look = NEVER

    def about_to_run(self) -> None:  # noqa: D102 - as in History, here and below
        return

    def has_run(self, error: BaseException | None) -> None:  # noqa: D102
        return

    def poked(self, address: int, value: int) -> None:  # noqa: D102
        return

    def about_to_be_another(self) -> None:  # noqa: D102
        return

    def state_loaded(self, data: bytes, before: int) -> None:  # noqa: D102
        return

    def power_cycled(self, before: int) -> None:  # noqa: D102
        return

    def faults_changed(self) -> None:  # noqa: D102
        return

    def go_on_with(self, machine: Machine) -> None:  # noqa: D102
        return
