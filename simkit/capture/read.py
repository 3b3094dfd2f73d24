"""Read a capture, whoever wrote it: what a file is, its content says.

captured = read_capture(Path("trace.vcd"), Path("channels.toml"))
captured.address, captured.data
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Protocol

from simkit.capture.archive import MOST_ZIPPED, looks_like_archive, read_archive
from simkit.capture.buslines import BusLinesReader, looks_like_bus_lines
from simkit.capture.captured import Captured
from simkit.capture.channels import Assignment, Reading, chosen, read_channels
from simkit.capture.cycles import bus_cycles
from simkit.capture.numbered import NumberedReader, looks_numbered
from simkit.capture.samples import Samples, refuse_too_many
from simkit.capture.table import TableReader
from simkit.capture.table_head import looks_like_table
from simkit.capture.vcd import VcdReader
from simkit.capture.vcd_header import looks_like_vcd
from simkit.contract.errors import SimkitError
from simkit.files.bounded import pieces, read_bounded

MOST_BYTES = 8_000_000_000
"""Of a text: far more than can be kept, as most of it repeats."""
_HEAD = 65_536
READ = "value change dumps (VCD), CSV of digital channels, zipped session archives (.sr), `;Rate:` lists, bus lines"


class PieceReader(Protocol):
    """Reads a text piece by piece."""

    def feed(self, piece: bytes) -> None:
        """Read what can be read now."""

    def finish(self) -> Samples:
        """All that was read."""


class Picker:
    """Chooses the channels that are lines, and keeps which they are.

    Attributes:
        assigned: for each channel that is read, its line; empty before the reader has asked.
        are_lines: whether the file's own format says that channels bear names of lines.
    """

    def __init__(self, reading: Reading, file: str) -> None:
        self._reading, self._file = reading, file
        self.assigned: list[Assignment] = []
        self.are_lines = False

    def __call__(self, names: Sequence[str]) -> Sequence[int]:
        """See Chooser."""
        found = chosen(names, self._reading, self._file, are_lines=self.are_lines)
        refuse_too_many(len(found))
        self.assigned = [each for _, each in found]
        return [at for at, _ in found]


def read_capture(
    path: Path,
    channels: Path | None = None,
    *,
    lines: Collection[str] = (),
    clock_hz: Fraction | None = None,
    notes: list[str] | None = None,
) -> Captured:
    """Read a capture as bus cycles.

    Args:
        path: of the capture.
        channels: the file that says which channel is which line (`channels.py`); None: channels that bear the name of
            a line are that line.
        lines: names of the machine's lines besides those that every backplane has; none: any name will do.
        clock_hz: of the machine, where it is known; sampling that is too slow for it is refused.
        notes: gets what is to be told of it, in sentences.

    Raises:
        FileError: the system does not let a file be read.
        SimkitError, SeveralErrors: it is no capture, or cannot be read as one; with what to do.
    """
    reading = read_channels(channels, lines) if channels is not None else Reading()
    told = notes if notes is not None else []
    samples, assigned = read_samples(path, reading, told)
    return bus_cycles(samples, assigned, reading, file=str(path), notes=told, clock_hz=clock_hz)


def read_samples(path: Path, reading: Reading, notes: list[str]) -> tuple[Samples, list[Assignment]]:
    """Read the samples of a capture: those of channels that are lines, and which line each is.

    Raises:
        FileError, SimkitError, SeveralErrors: as `read_capture`.
    """
    picker = Picker(reading, str(path))
    try:
        content = pieces(path, MOST_BYTES, "capture")
        head = next(content, b"")
        if looks_like_archive(head):
            content.close()
            zipped = read_bounded(path, MOST_ZIPPED, "capture")
            return read_archive(zipped, str(path), picker, reading, notes), picker.assigned
        reader = reader_for(head, str(path), picker, reading, notes)
        reader.feed(head)
        for piece in content:
            reader.feed(piece)
    except FileNotFoundError as error:
        raise SimkitError(f"There is no capture {path}.", remedy="Correct the path.") from error
    return reader.finish(), picker.assigned


def reader_for(head: bytes, file: str, choose: Picker, reading: Reading, notes: list[str]) -> PieceReader:
    """The reader for a text, by its beginning.

    Raises:
        SimkitError: it is no capture.
    """
    head = head[:_HEAD]
    if reading.header or looks_like_bus_lines(head):
        choose.are_lines = True
        return BusLinesReader(file, choose, reading, notes)
    if looks_numbered(head):
        return NumberedReader(file, choose, reading)
    if looks_like_vcd(head):
        return VcdReader(file, choose, reading.rate)
    if b"\0" not in head and looks_like_table(head):
        return TableReader(file, choose, reading)
    raise SimkitError(
        "This is no capture that can be read.",
        file=file,
        remedy=f"Export it as one of: {READ}; `simkit explain captures` tells more.",
    )
