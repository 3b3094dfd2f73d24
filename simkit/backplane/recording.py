"""Who has a machine recorded, and what marks they want between the bus cycles."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from simkit.backplane.records import LINE, Ring, Sink
from simkit.contract.errors import SimkitError, near
from simkit.contract.lines import Line
from simkit.contract.nets import Nets

HANDLERS, EACH = "handlers", "instructions"
"""When registers are recorded: as a handler begins and has returned, or before each instruction."""
HANDLER_ENDS = (0x00, 0x40)
"""Opcodes BRK and RTI: a handler begins, or has returned."""


class RecordHandle:
    """Holds a sink of records, and what it wants marked between the bus cycles."""

    def __init__(
        self, recording: Recording, sink: Sink, registers: str, lines: frozenset[str], *, decoding: bool
    ) -> None:
        self._recording = recording
        self.sink = sink
        self.registers = registers
        self.lines = lines
        self.decoding = decoding

    def remove(self) -> None:
        """Hand on what was recorded and stop; a second time does nothing."""
        self._recording.stop(self)


class Recording:
    """What of a machine is recorded, for everybody who wants it.

    Args:
        wiring: the lines.
        changed: called when something else is recorded than before.
        now: gives the present cycle.

    Attributes:
        ring: where bus cycles are recorded; None while nobody wants them, and always the same one otherwise.
        handlers: whether registers are recorded as a handler begins and has returned.
        each: whether they are before each instruction.
        decodings: whether changes of the decoding are marked.
    """

    def __init__(self, nets: Nets, changed: Callable[[], None], now: Callable[[], int]) -> None:
        self.ring: Ring | None = None
        self.handlers = self.each = False
        self.decodings = False
        self._nets = nets
        self._changed = changed
        self._now = now
        self._ring: Ring | None = None
        self._handles: list[RecordHandle] = []
        self._lines = frozenset[str]()
        self._levels: dict[str, bool] = {}  # of these lines, as they were marked last
        self._line_numbers: dict[str, int] = {}

    def begin(
        self, sink: Sink, *, registers: str = "", lines: Iterable[str] = (), decoding: bool = False
    ) -> RecordHandle:
        """Have every bus cycle recorded, repeats under RDY among them, until the handle's `remove`.

        Marks that anybody wants come to all sinks.

        Args:
            sink: called with some records at a time, in order, nothing left out.
            registers: HANDLERS, EACH, or "": when registers are recorded.
            lines: lines whose changes are; `line_number` gives their numbers.
            decoding: whether changes of the decoding are; `Banks.number` gives the present one.

        Raises:
            SimkitError: there is no such line.
        """
        wanted = frozenset(lines)
        for name in sorted(wanted - self._nets.lines.keys()):
            raise SimkitError(f"There is no line {name!r}.", remedy=near(name, self._nets.lines))
        ring = self._ring
        if ring is None:
            ring = self._ring = Ring()
        ring.empty()
        ring.sinks = (*ring.sinks, sink)
        self.ring = ring
        handle = RecordHandle(self, sink, registers, wanted, decoding=decoding)
        for name in wanted - self._lines:
            self._nets.observe(name, self._mark, self._now())
            self._levels[name] = self._nets.line(name).level
        self._handles.append(handle)
        self._choose()
        return handle

    def stop(self, handle: RecordHandle) -> None:
        """Hand on what was recorded, and leave the sink of a handle out from now on; also out of a sink."""
        ring = self._ring
        if ring is None or handle not in self._handles:
            return
        ring.empty()
        if handle not in self._handles:  # its sink has seen to it
            return
        self._handles.remove(handle)
        ring.sinks = tuple(other.sink for other in self._handles)
        if not ring.sinks:
            self.ring = None
        before = self._lines
        self._choose()
        for name in before - self._lines:
            self._nets.unobserve(name, self._mark, self._now())
            del self._levels[name]
        ring.raise_failure()

    def line_number(self, name: str) -> int:
        """Number of a line in records."""
        return self._line_numbers.setdefault(name, len(self._line_numbers))

    def lies_in(self, memory: memoryview) -> None:
        """Have records collected where the core reaches them; before anybody has begun."""
        assert self._ring is None
        self._ring = Ring(memory)

    def catch_up(self) -> None:
        """Hand on what was recorded up to now, between two instructions.

        Raises:
            Exception: what a sink has raised since the last time.
        """
        if self.ring is not None:
            self.ring.empty()
            self.ring.raise_failure()

    def state_loaded(self) -> None:
        """A state was loaded: mark the lines that have another level than they were marked with, from this cycle on."""
        for name in sorted(self._lines):
            level = self._nets.line(name).level
            if level != self._levels[name]:
                self._add_mark(name, level, self._now())

    def _choose(self) -> None:
        wanted = {handle.registers for handle in self._handles}
        self.handlers, self.each = HANDLERS in wanted, EACH in wanted
        self._lines = frozenset[str]().union(*(handle.lines for handle in self._handles))
        self.decodings = any(handle.decoding for handle in self._handles)
        self._changed()

    def _mark(self, line: Line, cycle: int) -> None:
        self._add_mark(line.name, line.level, line.since)

    def _add_mark(self, name: str, level: bool, since: int) -> None:
        assert self.ring is not None
        self._levels[name] = level
        self.ring.add(since, self.line_number(name), int(level), LINE)
