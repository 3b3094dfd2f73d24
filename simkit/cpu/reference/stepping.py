"""Cycle stepping: one period of the clock a call, with the instruction suspended in between.

The engine runs `step` in a greenlet of its own; at the beginning of every bus cycle but the first the engine calls its
gate, and the gate goes back to whoever asked for a cycle. Between two calls everything can be looked at: cards, lines,
the registers as far as the instruction has got.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from simkit.contract.errors import SimkitError


class Suspendable(Protocol):
    """What the stepper needs of an engine."""

    gate: Callable[[], None] | None


class CycleStepper:
    """Suspends one engine between bus cycles.

    Args:
        engine: calls its `gate`, when set, at the beginning of every bus cycle, before phase 0.
        step: does one instruction, sequence or hold cycle.

    Raises:
        SimkitError: there is no greenlet package here.
    """

    def __init__(self, engine: Suspendable, step: Callable[[], None]) -> None:
        try:
            from greenlet import getcurrent, greenlet
        except ImportError:
            raise SimkitError(
                "Stepping by single cycles needs the package greenlet, which is not here (it is not in the browser).",
                remedy="Step by instructions, or install greenlet.",
            ) from None
        self._make: Callable[..., Any] = greenlet
        self._current: Callable[[], Any] = getcurrent
        self._engine = engine
        self._step = step
        self._running: Any = None
        self._first = True  # the cycle about to begin is the one asked for

    @property
    def inside(self) -> bool:
        """Whether an instruction is suspended."""
        return self._running is not None

    def cycle(self) -> bool:
        """Run one bus cycle; True while the instruction has cycles left."""
        if self._running is None:
            self._running = self._make(self._step)
            self._first = True
        running = self._running
        running.parent = self._current()
        self._engine.gate = self._gate
        try:
            running.switch()
        finally:
            self._engine.gate = None
            if running.dead:
                self._running = None
        return self.inside

    def _gate(self) -> None:
        if self._first:
            self._first = False
            return
        self._running.parent.switch()

    def finish(self) -> None:
        """Run the suspended instruction to its end."""
        while self._running is not None:
            self.cycle()

    def drop(self) -> None:
        """Forget the suspended instruction, between two of its cycles (a state is loaded over it)."""
        running, self._running = self._running, None
        if running is not None:
            running.parent = self._current()
            running.throw()
