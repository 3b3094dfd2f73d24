"""A machine's core: the module with a memory that holds the state and what the slots asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from simkit.cpu.core.instance import NoCoreError
from simkit.cpu.core.memory import Arena, needed
from simkit.cpu.core.runtime import instance


class Room:
    """The core of one machine.

    Attributes:
        arena: hands out plain memory.
        run: goes on from the state at an address until the core must leave.
        run_recorded: the same, every bus cycle recorded.
    """

    def __init__(self, part: str, sizes: Iterable[int]) -> None:
        self._instance = instance(part, needed(sizes))
        self.arena = Arena(self._instance)
        self.run = self._instance.run
        self.run_recorded = self._instance.run_recorded

    def answer(
        self, read: Callable[[], None], write: Callable[[], None], failed: Callable[[BaseException], None]
    ) -> None:
        """Say who answers accesses that plain memory does not, and who is told what an answer raised."""
        self._instance.answers[:] = read, write
        self._instance.failed = failed


def room(part: str, sizes: Iterable[int]) -> Room | NoCoreError:
    """The core for a machine whose slots ask for pieces of memory of these sizes; why not, where it cannot be had."""
    try:
        return Room(part, sizes)
    except NoCoreError as error:
        return error.with_traceback(None)  # it lives as long as the machine; the frames need not
