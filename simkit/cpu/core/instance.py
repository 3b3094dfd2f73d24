"""What the core asks of whatever runs WebAssembly: a module with its memory, and how it is told that there is none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class NoCoreError(Exception):
    """The core cannot run here; says why."""


class Instance:
    """A module with the memory that one machine needs.

    Attributes:
        answers: what is called when the core asks for a read, and for a write.
        failed: called with whatever an answer raised; nothing raised may pass through the core.
        memory: the machine's; it stays where it is and lives as long as anybody holds it or a part of it.
        base: address of its first byte as ctypes gives it.
        start: address of its first byte as the core has it.
        run: goes on from the state at an address, as the core has it, until the core must leave.
        run_recorded: the same, every bus cycle recorded.
    """

    memory: memoryview
    base: int
    start: int
    run: Callable[[int], None]
    run_recorded: Callable[[int], None]

    def __init__(self) -> None:
        self.answers: list[Callable[[], None]] = [_nobody, _nobody]
        self.failed: Callable[[BaseException], None] = _unexpected


class Host(Protocol):
    """What runs WebAssembly here; there is one in a process."""

    @property
    def name(self) -> str:
        """What it is called, with its version."""

    def instance(self, part: str, size: int) -> Instance:
        """The module of a part with `size` bytes of memory, all zero.

        Raises:
            NoCoreError: it cannot be made.
        """


def _nobody() -> None:
    raise AssertionError("nobody answers the core yet")


def _unexpected(error: BaseException) -> None:
    """Nothing is made of it: the core stops at an answer that is not whole."""
