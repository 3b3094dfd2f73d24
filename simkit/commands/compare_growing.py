"""`simkit compare` of a capture that grows: a pipe, a serial port, a file that is still written."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.commands.say import JsonRows, say
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.capture.captured import Captured
    from simkit.compare.judged import Led
    from simkit.machine.machine import Machine

LOOK_SECONDS = 0.5
"""Between two looks at what it comes to, at least."""
LOOK_SHARE = 0.1
"""Of the time that is taken by looking, at most."""
TOLD = 12
"""Disagreements that are told one by one, for people; then their number."""
MOST_CYCLES = 4_000_000
"""Cycles that are followed: each takes some hundred bytes of memory."""


def grows(path: Path) -> bool:
    """Whether it can only be read as it comes: a pipe or a serial port."""
    return path.is_fifo() or path.is_char_device()


def follow(
    machine: Machine,
    capture: Path,
    channels: Path | None,
    *,
    baud: int,
    rows: JsonRows | None,
    notes: list[str],
    wanted: Callable[[], bool],
) -> Led | Captured:
    """Compare what comes as it comes, up to its end.

    Args:
        machine: as it should be.
        capture: of which the bus cycles come.
        channels: which channel is which line.
        baud: of a serial port.
        rows: gets the disagreements, for programs; None: they are said.
        notes: gets what is to be told of it.
        wanted: asked again and again; False ends it.

    Returns:
        What it comes to; where no CPU can be led by its lines, what came.

    Raises:
        SimkitError: it cannot be read, or nothing came.
    """
    from simkit.capture.growing import GrowingCapture
    from simkit.compare.judged import Leading
    from simkit.compare.rows import full, joined

    leading: Leading | None = None
    telling = _Telling(machine, rows)
    pieces: list[Captured] = []
    count = 0

    def look() -> bool:
        """Nothing may come for long: what is known by now is told meanwhile."""
        if leading is not None and telling.is_due(count):
            telling.tell(leading.judged, count)
        return not wanted()

    with GrowingCapture(
        capture,
        channels,
        lines=machine.lines,
        clock_hz=machine.description.clock_hz,
        baud=baud,
        asked_to_end=look,
    ) as growing:
        for piece in growing:
            count += len(piece)
            if leading is not None:
                leading.add(piece)
                if telling.is_due(count):
                    telling.tell(leading.judged, count)
            elif not pieces and full(piece):
                leading = Leading(machine, piece, lambda row: wanted())
            else:
                pieces.append(piece)
            if count >= MOST_CYCLES:
                say(f"{count} cycles have come, and more are not kept: what comes now is left.", error=True)
                break
    notes += growing.notes
    if leading is not None:
        found = leading.end()
        telling.tell(lambda: found, count, last=True)
        return found
    if not pieces:
        raise SimkitError(
            f"No bus cycle came from {capture}.", remedy="Is the monitor running, and at this rate (--baud)?"
        )
    return joined(pieces)


class _Telling:
    """Tells each disagreement once, as it is found."""

    def __init__(self, machine: Machine, rows: JsonRows | None) -> None:
        self._machine, self._rows = machine, rows
        self._told: set[int] = set()
        self._looked, self._took = time.perf_counter(), 0.0
        self._count = 0

    def is_due(self, count: int) -> bool:
        """Whether it is time to look again, when so many cycles have come."""
        return count > self._count and time.perf_counter() - self._looked >= max(LOOK_SECONDS, self._took / LOOK_SHARE)

    def tell(self, judged: Callable[[], Led], count: int, *, last: bool = False) -> None:
        """Tell what is new, when so many cycles have come."""
        from simkit.compare.told import difference_as_dict, what

        began, self._count = time.perf_counter(), count
        found = judged()
        fresh = [each for each in found.disagreements if each.row not in self._told]
        for each in fresh:
            if self._rows is not None:
                self._rows.add(difference_as_dict(self._machine, found, each))
            elif len(self._told) < TOLD:
                say(f"cycle {each.row}: {what(self._machine, each)}")
            self._told.add(each.row)
        if self._rows is None and fresh and not last and len(self._told) > TOLD:
            say(f"{len(self._told)} disagreements in {len(found)} cycles; the summary follows at the end (Ctrl-C).")
        sys.stdout.flush()
        self._looked = time.perf_counter()
        self._took = self._looked - began
