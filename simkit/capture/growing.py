"""Captures that grow while they are read: bus lines or a dump (VCD) from a pipe, a serial port or a growing file.

with GrowingCapture(Path("/dev/ttyUSB0"), baud=1_000_000) as capture:
    for captured in capture:
        ...                     # the bus cycles since the last time

What came is there whatever ends it: Ctrl-C ends the loop as the end of a pipe does.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType

import numpy as np

from simkit.capture.buslines import BusLinesReader
from simkit.capture.captured import Captured
from simkit.capture.channels import Reading, read_channels
from simkit.capture.cycles import bus_cycles
from simkit.capture.read import Picker, reader_for
from simkit.capture.rows import Times, Words
from simkit.capture.samples import Samples
from simkit.capture.vcd import VcdReader
from simkit.contract.errors import SimkitError
from simkit.files.incoming import Incoming

WAIT_SECONDS = 0.2
ROWS_AT_ONCE = 20_000
"""Rows of samples that are looked at together: enough cycles to know the clock."""
OVERLAP = 8
"""Bus cycles that are looked at again with what follows them."""
MOST_WAITING = 5_000_000
"""Rows in which PHI2 must have fallen."""
_HEAD = 65_536


class GrowingCapture:
    """Bus cycles as they come; iterate over it once.

    Args:
        path: of a named pipe, a serial port, or a file that somebody writes.
        channels: as of `read_capture`.
        lines: names of the machine's lines besides those that every backplane has.
        clock_hz: of the machine, where it is known.
        baud: of a serial port.
        quiet_seconds: a file is at its end when nothing was added for so long; None: never.
        asked_to_end: asked again and again.

    Attributes:
        notes: what is to be told, complete when it has ended.
        interrupted: whether Ctrl-C or `asked_to_end` ended it.

    Raises:
        FileError, SimkitError: it cannot be read; what comes is no capture that can be read as it grows.
    """

    def __init__(
        self,
        path: Path,
        channels: Path | None = None,
        *,
        lines: Collection[str] = (),
        clock_hz: Fraction | None = None,
        baud: int = 115_200,
        quiet_seconds: float | None = None,
        asked_to_end: Callable[[], bool] = lambda: False,
    ) -> None:
        self._reading = read_channels(channels, lines) if channels is not None else Reading()
        self._file, self._clock_hz = str(path), clock_hz
        self._quiet, self._asked_to_end = quiet_seconds, asked_to_end
        self._picker = Picker(self._reading, self._file)
        self._waiting: list[tuple[Times, Words, Words]] = []
        self._first: int | None = None  # time of the first row
        self._told_until = -np.inf  # seconds of the last cycle that was given
        self.notes: list[str] = []
        self.interrupted = False
        self._incoming = Incoming(path, what="capture", baud=baud)

    def __enter__(self) -> GrowingCapture:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self._incoming.close()

    def __iter__(self) -> Iterator[Captured]:
        """Pieces, each a cycle at least."""
        reader: BusLinesReader | VcdReader | None = None
        head, quiet = b"", 0.0
        while not self._incoming.ended:
            try:
                data = self._incoming.read(WAIT_SECONDS)
                self.interrupted = self._asked_to_end()
            except KeyboardInterrupt:
                self.interrupted = True
                break
            quiet = 0.0 if data else quiet + WAIT_SECONDS
            if self.interrupted or (self._quiet is not None and quiet > self._quiet):
                break
            if reader is None:
                head += data
                reader = self._reader(head)
                data = head
            if reader is not None and data:
                reader.feed(data)
                yield from self._cycles(reader, ends=False)
        if reader is None:
            raise self._no_capture()
        reader.feed(b"\n")
        yield from self._cycles(reader, ends=True)
        if isinstance(reader, BusLinesReader):
            reader.tell_bad(self.notes)

    def _reader(self, head: bytes) -> BusLinesReader | VcdReader | None:
        """What reads this, when enough of it has come to know."""
        if b"\n" not in head:
            return None
        try:
            found = reader_for(head, self._file, self._picker, self._reading, self.notes)
        except SimkitError:
            found = None
        if isinstance(found, BusLinesReader | VcdReader):
            return found
        if len(head) > _HEAD:
            raise self._no_capture()
        return None

    def _no_capture(self) -> SimkitError:
        return SimkitError(
            "Neither bus lines nor a dump (VCD) come.",
            file=self._file,
            remedy='Let the monitor print a header, bus-lines 1 cycles address data RW, or say header = "..." under '
            "[capture] in the channel file.",
        )

    def _cycles(self, reader: BusLinesReader | VcdReader, *, ends: bool) -> Iterator[Captured]:
        time, levels, unknown = reader.rows.take()
        if len(time):
            self._first = int(time[0]) if self._first is None else self._first
            self._waiting.append((time, levels, unknown))
        count = sum(len(each[0]) for each in self._waiting)
        if not count or (not reader.by_cycle and count < ROWS_AT_ONCE and not ends):
            return
        time, levels, unknown = (np.concatenate(column) for column in zip(*self._waiting, strict=True))
        samples = Samples(
            reader.names, reader.tick, time, levels, unknown, reader.period, int(time[-1]) + 1, by_cycle=reader.by_cycle
        )
        if reader.by_cycle:
            yield from self._one_a_row(samples, ends=ends)
        else:
            yield from self._sampled(samples, ends=ends)

    def _one_a_row(self, samples: Samples, *, ends: bool) -> Iterator[Captured]:
        captured = bus_cycles(samples, self._picker.assigned, self._reading, file=self._file, notes=[])
        marks = samples.unknown == np.uint64((1 << len(samples.names)) - 1)
        last = len(marks) - int(np.argmin(marks[::-1])) if not marks.all() else 0  # marks at the end belong to the next
        self._waiting = [(samples.time[last:], samples.levels[last:], samples.unknown[last:])]
        if len(captured):
            yield self._shifted(captured, samples)

    def _sampled(self, samples: Samples, *, ends: bool) -> Iterator[Captured]:
        try:
            captured = bus_cycles(
                samples,
                self._picker.assigned,
                self._reading,
                file=self._file,
                notes=[],
                clock_hz=self._clock_hz,
            )
        except SimkitError:
            if len(samples) > MOST_WAITING or (ends and self._told_until < 0):
                raise
            self._waiting = [(samples.time, samples.levels, samples.unknown)]
            return
        captured = self._shifted(captured, samples)
        assert self._first is not None
        again = captured.time[-OVERLAP] if len(captured) > OVERLAP else -1.0
        kept = (samples.time - self._first) * float(samples.tick) >= again
        self._waiting = [(samples.time[kept], samples.levels[kept], samples.unknown[kept])]
        fresh = captured.time > self._told_until + 0.5 * float(samples.tick)
        if fresh.any():
            self._told_until = float(captured.time[-1])
            yield captured[fresh]

    def _shifted(self, captured: Captured, samples: Samples) -> Captured:
        """The same with times from the very first row on."""
        assert self._first is not None
        since = float((int(samples.time[0]) - self._first) * samples.tick)
        return Captured(captured.names, captured.levels, captured.known, captured.time + since, captured.lost)
