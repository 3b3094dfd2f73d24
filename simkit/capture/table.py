"""Tables that analysers export (CSV): a row a sample or a row a change, with or without a column of times.

What is coped with: a mark at the beginning, comment lines and preambles, `,` `;` or tabs between columns, a decimal
comma with `;`, names in quotes, X for no data, times before the trigger. A table with unequal steps of time in which
each row differs from the one before holds changes; else a step that is missing is a gap, in which nothing is known.
The session tool's own tables name the rate in a comment; their column of times is rounded down, so it is not used.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.capture.channels import Reading
from simkit.capture.rows import Rows, Times, Words
from simkit.capture.samples import Samples
from simkit.capture.table_head import HEAD_BYTES, LEVEL, Head, fields_of, read_head
from simkit.capture.times import PICOSECOND, in_picoseconds
from simkit.capture.tokens import Bytes, Places
from simkit.capture.wanted import Chooser
from simkit.contract.errors import SimkitError, shown

LEAST_LOOKED_AT, LOOKED_AT = 1000, 200_000
"""Rows by which a table is told to hold samples or changes."""
_KINDS = np.full(256, 255, np.uint8)
for _letter, _value in zip(b"01xX", (0, 1, 2, 2), strict=True):
    _KINDS[_letter] = _value


class TableReader:
    """Reads a table piece by piece.

    Args:
        file: for messages.
        choose: which channels are wanted.
        reading: what the user says of it.
    """

    def __init__(self, file: str, choose: Chooser, reading: Reading) -> None:
        self._file, self._choose, self._reading = file, choose, reading
        self._head: Head | None = None
        self._left = b""
        self._line = 1
        self._rows = Rows(file)
        self._count = 0
        self._period: Fraction | None = None
        self._changes: bool | None = None
        self._last: int | None = None
        self._waiting: list[tuple[Times, Words, Words]] = []
        self.names: tuple[str, ...] = ()

    def feed(self, piece: bytes) -> None:
        """Read what can be read now.

        Raises:
            SimkitError: a row that cannot be meant; with the line.
        """
        data = self._left + piece
        if self._head is None:
            if len(data) < HEAD_BYTES and piece:
                self._left = data
                return
            self._begin(data)
            data = self._left
        cut = data.rfind(b"\n") + 1
        self._left = data[cut:]
        if len(self._left) > HEAD_BYTES:
            raise self._wrong(self._line, "The line does not end.", "Export it again.")
        if cut:
            self._take(data[:cut])

    def finish(self) -> Samples:
        """All that was read.

        Raises:
            SimkitError: not one row, or the rate is not known.
        """
        self.feed(b"")
        if self._left.strip():
            self._left += b"\n"
            self.feed(b"")
        self._decide_on_waiting()
        assert self._head is not None
        tick, period = PICOSECOND, self._period
        if self._by_number:
            rate = self._reading.rate or self._head.rate
            if rate is None and not self._reading.synchronous:
                raise SimkitError(
                    "The table says neither times nor its sampling rate.",
                    file=self._file,
                    remedy='Say it in the channel file: [capture], rate = "1 MHz".',
                )
            tick, period = (1 / rate if rate is not None else Fraction(1)), Fraction(1)
        elif period is None and self._reading.rate is not None:
            period = 1 / self._reading.rate / tick
        end = self._rows.end + (max(1, round(period)) if period is not None and not self._changes else 1)
        return self._rows.samples(self.names, tick, period, end, complete=not self._changes)

    @property
    def _by_number(self) -> bool:
        """Whether times are counted in samples."""
        head = self._head
        assert head is not None
        return head.times in (None, "ticks") or (head.by_session_tool and head.rate is not None)

    def _begin(self, data: bytes) -> None:
        first = data[:HEAD_BYTES]
        if b"\r" in first and b"\n" not in first:
            raise self._wrong(1, "The lines end with CR alone.", "Save it with LF or CR LF.")
        first = first if len(data) < HEAD_BYTES else first[: first.rfind(b"\n") + 1]
        self._head = head = read_head(first, self._file, self._reading)
        self._wanted = list(self._choose(head.names))
        self.names = tuple(head.names[at] for at in self._wanted)
        data = data.removeprefix(b"\xef\xbb\xbf")
        at = 0
        for _ in range(head.lines):
            at = data.index(b"\n", at) + 1
        self._line, self._left = head.lines + 1, data[at:]
        self._changes = False if head.times is None else None

    def _take(self, data: bytes) -> None:
        lines = data.count(b"\n")
        unneeded = [letter for letter in (b" ", b'"', b"\r") if letter in data]
        if unneeded:
            data = data.translate(None, b"".join(unneeded))
        ended = self._head.separator.encode() + b"\n"  # type: ignore[union-attr]
        if ended in data:
            data = data.replace(ended, b"\n")
        text = np.frombuffer(data, np.uint8)
        ends = np.flatnonzero(text == 10)
        begins = np.empty_like(ends)
        begins[0], begins[1:] = 0, ends[:-1] + 1
        width = 2 * len(self._head.names) - 1  # type: ignore[union-attr]
        number = np.arange(self._line, self._line + lines)
        good, kinds = self._tails(text, begins, ends, width)
        if not good.all():
            bad = np.flatnonzero(~good)
            meant = bad[(ends[bad] > begins[bad]) & ~np.isin(text[begins[bad]], np.frombuffer(b";#", np.uint8))]
            if len(meant):
                self._refuse(data, int(begins[meant[0]]), int(ends[meant[0]]), int(number[meant[0]]))
            begins, ends, number, kinds = begins[good], ends[good], number[good], kinds[good]
        self._line += lines
        if not len(begins):
            return
        levels = _packed(kinds & 1)
        unknown = _packed(kinds >> 1) if (kinds & 2).any() else np.zeros_like(levels)
        if self._head.times is None:  # type: ignore[union-attr]
            time = np.arange(self._count, self._count + len(begins), dtype=np.int64)
            self._count += len(begins)
            self._rows.add(time, levels, unknown)
        else:
            self._timed(self._moments(data, text, begins, ends - width - 1, number), levels, unknown)

    def _tails(
        self, text: Bytes, begins: Places, ends: Places, width: int
    ) -> tuple[NDArray[np.bool_], NDArray[np.uint8]]:
        """Which lines end with a level for each channel; those of the channels that are wanted."""
        head = self._head
        assert head is not None
        timed = head.times is not None
        length = ends - begins
        good = length > width + 1 if timed else length == width
        separator = ord(head.separator)
        size = int(length[0]) + 1
        if (length == size - 1).all() and size > width:
            tail = text[: size * len(ends)].reshape(len(ends), size)[:, size - 1 - width : size - 1]
        else:
            safe = np.where(good, ends, width)
            tail = text[np.minimum(safe[:, None] + np.arange(-width, 0), len(text) - 1)]
        kinds = _KINDS[tail[:, ::2]]
        good = good & (kinds != 255).all(axis=1) & (tail[:, 1::2] == separator).all(axis=1)
        if timed:
            good &= text[np.maximum(ends - width - 1, 0)] == separator
        return good, kinds if len(self._wanted) == kinds.shape[1] else kinds[:, self._wanted]

    def _refuse(self, data: bytes, begin: int, end: int, line: int) -> None:
        fields = fields_of(data[begin : min(end, begin + 4000)].decode("latin-1"))
        head = self._head
        assert head is not None
        columns = len(head.names) + (head.times is not None)
        if len(fields) != columns:
            raise self._wrong(line, f"The row has {len(fields)} columns, not {columns}.", "Export it again.")
        numbered = enumerate(fields, 1 - (head.times is not None))
        at, field = next(((at, each) for at, each in numbered if at and not LEVEL.fullmatch(each)), (0, fields[0]))
        if not at:
            raise self._wrong(line, f"{shown(field)} is no time.", "Export it again.")
        raise self._wrong(
            line,
            f"Channel {at}, {shown(head.names[at - 1])}, holds {shown(field)}: not a level 0, 1 or X.",
            "Export the digital channels, a column each: analog values and buses cannot be read.",
        )

    def _moments(self, data: bytes, text: Bytes, begins: Places, ends: Places, number: Places) -> Times:
        """Times of the rows: picoseconds, or numbers of samples."""
        head = self._head
        assert head is not None
        ticks = head.times == "ticks"
        unit = PICOSECOND if ticks or not head.times else Fraction(head.times)
        if head.times == Fraction(0):
            unit = self._reading.unit or PICOSECOND
        time, good = in_picoseconds(data, text, begins, ends, unit, comma=head.separator == ";")
        if not good.all():
            at = int(np.argmin(good))
            word = data[begins[at] : ends[at]][:40].decode("latin-1")
            raise self._wrong(int(number[at]), f"{shown(word)} is no time.", "Export it again.")
        if self._by_number and not ticks:
            time = self._of_session_tool(time, unit)
        before = np.empty_like(time)
        before[1:], before[0] = time[:-1], self._last if self._last is not None else time[0] - 1
        if (time <= before).any():
            at = int(np.argmax(time <= before))
            raise self._wrong(int(number[at]), "Times do not increase.", "Split it where they begin anew.")
        return time

    def _of_session_tool(self, time: Times, unit: Fraction) -> Times:
        """Numbers of samples from times that the session tool rounds: a step is a period rounded down."""
        rate = self._reading.rate or self._head.rate  # type: ignore[union-attr]
        assert rate is not None
        step = max(1, int(1 / (rate * unit))) * int(unit / PICOSECOND)
        return time // step - 1

    def _timed(self, time: Times, levels: Words, unknown: Words) -> None:
        if self._changes is None:
            self._waiting.append((time, levels, unknown))
            if sum(len(each[0]) for each in self._waiting) >= LEAST_LOOKED_AT:
                self._decide_on_waiting()
            else:
                self._last = int(time[-1])
            return
        if not self._changes and self._period is not None:
            last = self._last if self._last is not None else int(time[0]) - round(self._period)
            step = np.diff(time, prepend=np.int64(last))
            gaps = np.flatnonzero(step > 1.5 * float(self._period))
            if len(gaps):
                begin = np.where(gaps > 0, time[np.maximum(gaps - 1, 0)], last) + max(1, round(self._period))
                time = np.insert(time, gaps, begin)
                levels = np.insert(levels, gaps, np.uint64(0))
                unknown = np.insert(unknown, gaps, np.uint64((1 << len(self.names)) - 1))
        self._last = int(time[-1])
        self._rows.add(time, levels, unknown)

    def _decide_on_waiting(self) -> None:
        """Decide by the rows that wait, and take them."""
        if not self._waiting:
            return
        columns = zip(*self._waiting, strict=True)
        time, levels, unknown = (np.concatenate(column) for column in columns)
        self._waiting.clear()
        self._decide(time[:LOOKED_AT], levels[:LOOKED_AT], unknown[:LOOKED_AT])
        self._last = None
        self._timed(time, levels, unknown)

    def _decide(self, time: Times, levels: Words, unknown: Words) -> None:
        """Whether rows are samples, and their period; or changes."""
        step = np.diff(time)
        if not len(step):
            self._changes = True
            return
        usual = float(np.median(step))
        near_usual = np.abs(step - usual) <= max(0.03 * usual, 1 if self._by_number else 0, self._last_place(time))
        repeats = np.count_nonzero((np.diff(levels) == 0) & (np.diff(unknown) == 0))
        dense = near_usual.all() or (near_usual.mean() > 0.8 and repeats > 0.02 * len(step))
        self._changes = not dense
        rate = self._reading.rate
        if dense:
            mean = Fraction(int(step[near_usual].sum()), int(near_usual.sum()))
            self._period = Fraction(1) if self._by_number else 1 / rate / PICOSECOND if rate is not None else mean

    @staticmethod
    def _last_place(time: Times) -> int:
        """The last place of the times, by which they may be rounded."""
        place = 1
        while place < 10**9 and not (time % (place * 10)).any():
            place *= 10
        return place

    def _wrong(self, line: int, message: str, remedy: str) -> SimkitError:
        return SimkitError(message, file=self._file, line=line, remedy=remedy)


def _packed(bits: NDArray[Any]) -> Words:
    """Rows of 0 and 1 as words, column i as bit i."""
    words = np.zeros((len(bits), 8), np.uint8)
    packed = np.packbits(bits, axis=1, bitorder="little")
    words[:, : packed.shape[1]] = packed
    return words.view("<u8").reshape(-1).astype(np.uint64)
