"""Bus lines: the plain text that a bus monitor of one's own prints, a bus cycle or a sample a line.

    bus-lines 1 cycles rate=1MHz address data RW SYNC 4.select
    # anything behind a # is for people
    C000 A9 1 1 1
    C001 41 1 0 1
    0200 41 W 0 1
    lost

The first word of the header is the form's name, the second its version. `cycles` says that each line is a bus cycle,
as it stands before PHI2 falls; `samples`, that PHI2 is one of the columns and lines are taken at a fixed rate. Then
come columns, separated by blanks, as many words as each line has:

- `address`: A0 to A15, and `data`: D0 to D7, in hex, A15 and D7 first as people write them;
- a line of the bus, or a pin of a card as `4.INT`: 0, 1, or x where it is not known; RW may be R and W as well;
- `D0..D3`, any range of lines: in hex, the first of the range is bit 0;
- `count`: a running number, decimal, by which lines that are missing are noticed; it may begin again at 0 after
  255, 65535 or 4294967295, as a byte, word or long does;
- `time:us`: when, decimal, in s, ms, us or ns; it may begin again at 0 after 4294967295;
- `-`: a word that means nothing.

In hex, x stands for four bits that are not known. `rate=` is the rate of the samples, or of the clock in `cycles`, and
may be left out there. A line `lost` says that the monitor has missed some. A line that cannot be read counts as lost,
as the first one of a serial port often is half a line; too many are refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.channels import TIME_UNITS, Reading, expanded
from simkit.capture.rows import Rows, Words
from simkit.capture.samples import Samples
from simkit.capture.tokens import Bytes, Places, decimals, hexadecimals, words
from simkit.capture.wanted import Chooser
from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError, shown

NAME = b"bus-lines"
MOST_LINE = 4096
MOST_BAD = 0.05
FEW_BAD = 20
"""Lines that may be unreadable whatever the share."""
_HEADER = re.compile(rb"^[ \t]*bus-lines[ \t][^\n]*\n", re.MULTILINE)
_LEVEL = np.full(256, 255, np.uint8)
for _letter, _value in zip(b"01xX-RrWwHhLlZz", (0, 1, 2, 2, 2, 1, 1, 0, 0, 1, 1, 0, 0, 2, 2), strict=True):
    _LEVEL[_letter] = _value


@attrs.frozen
class Column:
    """A word of each line: "hex" and "level" with the bits they give; "time" with its unit in ticks; "count"; "-"."""

    kind: str
    channels: tuple[str, ...] = ()
    unit: Fraction = Fraction(1)


@attrs.frozen
class BusHeader:
    """What the header says."""

    by_cycle: bool
    rate: Fraction | None
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Of the channels."""
        return tuple(name for column in self.columns for name in column.channels)


def looks_like_bus_lines(head: bytes) -> bool:
    """Whether the header stands in the beginning of a file."""
    return _HEADER.search(head + b"\n") is not None


def read_bus_header(text: str, file: str, line: int) -> BusHeader:
    """Read the header.

    Raises:
        SimkitError: it says something that cannot be; with the line.
    """

    def wrong(message: str, remedy: str) -> SimkitError:
        return SimkitError(message, file=file, line=line, remedy=remedy)

    example = "Write e.g. bus-lines 1 cycles address data RW."
    said = text.split("#")[0].split()
    if len(said) < 4 or said[1] != "1" or said[2] not in ("cycles", "samples"):
        raise wrong("The header says bus-lines, 1, cycles or samples, and the columns.", example)
    rate, columns = None, list[Column]()
    for word in said[3:]:
        if word.startswith("rate="):
            try:
                rate = parse_hz(word[5:])
            except SimkitError as error:
                raise wrong(error.message, error.remedy or example) from error
        elif word.startswith("time:"):
            if word[5:] not in TIME_UNITS:
                raise wrong(f"{shown(word)} has no unit.", f"Units are {', '.join(TIME_UNITS)}, as time:us.")
            columns.append(Column("time", unit=TIME_UNITS[word[5:]]))
        elif word in ("count", "-"):
            columns.append(Column(word))
        elif word in ("address", "data"):
            columns.append(Column("hex", ADDRESS_LINES if word == "address" else DATA_LINES))
        else:
            names = tuple(expanded(word))
            if len(names) > 64:
                raise wrong(f"{shown(word)} are {len(names)} lines in one word.", "64 fit in one.")
            columns.append(Column("hex" if len(names) > 1 else "level", names))
    header = BusHeader(said[2] == "cycles", rate, tuple(columns))
    every = header.names
    twice = next((name for name in every if every.count(name) > 1), None)
    if twice is not None:
        raise wrong(f"{twice} stands in two columns.", "Leave one out.")
    for kind in ("time", "count"):
        if sum(column.kind == kind for column in columns) > 1:
            raise wrong(f"There are two columns of {kind}.", "Leave one out.")
    if not every:
        raise wrong("No column is a line of the bus.", example)
    if not header.by_cycle and rate is None and not any(column.kind == "time" for column in columns):
        raise wrong("Samples need a rate or a column of times.", "Write rate=4MHz in the header, or time:us.")
    return header


class BusLinesReader:
    """Reads bus lines piece by piece.

    Args:
        file: for messages.
        choose: which channels are wanted.
        reading: what the user says of it.
        notes: gets what is to be told.
    """

    def __init__(self, file: str, choose: Chooser, reading: Reading, notes: list[str]) -> None:
        self._file, self._choose, self._reading, self._notes = file, choose, reading, notes
        self._header: BusHeader | None = None
        self._left = b""
        self._line = 1
        self._next = 0  # number of the next row
        self._offset, self._last_time, self._latest = 0, -1, 0
        self._last_count: int | None = None
        self._lost_before = False
        self._read = self._bad = 0
        self._first_bad: tuple[int, str] | None = None
        self.names: tuple[str, ...] = ()
        self.tick = Fraction(1)
        self.rows = Rows(file)

    @property
    def by_cycle(self) -> bool:
        """Whether each line is a bus cycle."""
        return self._header is not None and self._header.by_cycle

    def feed(self, piece: bytes) -> None:
        """Read what can be read now.

        Raises:
            SimkitError: a header that cannot be meant, or too many lines that cannot; with the line.
        """
        data = self._left + piece
        if b"\r" in piece:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if self._header is None and self._reading.header:
            self._begin(self._reading.header)
        if self._header is None:
            found = _HEADER.search(data)
            if found is None:
                if len(data) > 16 * MOST_LINE:
                    raise SimkitError(
                        "No line begins with bus-lines.",
                        file=self._file,
                        remedy="Let the monitor print a header, e.g. bus-lines 1 cycles address data RW.",
                    )
                self._left = data
                return
            self._line += data.count(b"\n", 0, found.start())
            self._begin(found[0].decode("latin-1"))
            self._line += 1
            data = data[found.end() :]
        cut = data.rfind(b"\n") + 1
        self._left = data[cut:]
        if len(self._left) > MOST_LINE:
            self._left, self._lost_before = b"", True
            self._count_bad(self._line, "a line without end")
        if cut:
            self._take(data[:cut])

    def finish(self) -> Samples:
        """All that was read.

        Raises:
            SimkitError: no header, or not one row.
        """
        self.feed(b"\n")
        if self._header is None:
            raise SimkitError("No line begins with bus-lines.", file=self._file, remedy="Name a capture of bus lines.")
        self.tell_bad(self._notes)
        period = self.period
        samples = self.rows.samples(self.names, self.tick, period, self.rows.end + 1, complete=period is not None)
        return attrs.evolve(samples, by_cycle=self.by_cycle)

    @property
    def period(self) -> Fraction | None:
        """Of sampling, in ticks; None where lines are bus cycles, or bear times of their own."""
        timed = self._header is None or any(column.kind == "time" for column in self._header.columns)
        return None if timed or self.by_cycle else Fraction(1)

    def tell_bad(self, notes: list[str]) -> None:
        """Note how many lines could not be read."""
        if self._bad and self._first_bad is not None:
            line, text = self._first_bad
            notes.append(
                f"{self._bad} of {self._read + self._bad} lines could not be read and count as lost; the first is "
                f"line {line}, {text}."
            )

    def _begin(self, text: str) -> None:
        self._header = header = read_bus_header(text, self._file, self._line)
        every = header.names
        chosen = list(self._choose(every))
        self.names = tuple(every[at] for at in chosen)
        self._bit = {name: bit for bit, name in enumerate(self.names)}
        rate = self._reading.rate or header.rate
        unit = next((column.unit for column in header.columns if column.kind == "time"), None)
        self.tick = unit if unit is not None else 1 / rate if rate is not None else Fraction(1)
        self.rows = Rows(self._file, keep_all=header.by_cycle)

    def _take(self, data: bytes) -> None:
        lines = data.count(b"\n")
        if b"#" in data:
            data = re.sub(rb"#[^\n]*", b"", data)
        text = np.frombuffer(data, np.uint8)
        begin, end = words(text)
        ends = np.flatnonzero(text == 10)
        upto = np.searchsorted(begin, ends)
        counts = np.diff(upto, prepend=0)
        assert self._header is not None
        width = len(self._header.columns)
        whole = counts == width
        meant = np.flatnonzero(counts > 0)
        rows = np.flatnonzero(whole)
        picked = (upto[rows] - width)[:, None] + np.arange(width)
        row_begin, row_end = begin[picked], end[picked]
        levels, unknown, numbers, good = self._columns(text, row_begin, row_end)
        odd = np.setdiff1d(meant, rows[good], assume_unique=True)
        broken = [int(at) for at in odd if not self._is_mark(data, text, begin, end, upto, counts, int(at))]
        rows, levels, unknown = rows[good], levels[good], unknown[good]
        numbers = {kind: value[good] for kind, value in numbers.items()}
        self._read += len(rows)
        lost = self._lost(odd, rows, numbers)
        self._line += lines
        if broken:
            first = begin[upto[broken[0]] - counts[broken[0]]]
            told = shown(data[first : first + 60].split(b"\n")[0].decode("latin-1"))
            self._count_bad(self._line - lines + broken[0], told, len(broken))
        self._emit(levels, unknown, lost, numbers)

    def _is_mark(
        self, data: bytes, text: Bytes, begin: Places, end: Places, upto: Places, counts: Places, line: int
    ) -> bool:
        """Whether a line is no row but means something: lost, or the header again after a reset of the monitor."""
        at = int(upto[line] - counts[line])
        return data[begin[at] : end[at]] in (b"lost", NAME)

    def _columns(
        self, text: Bytes, begin: Places, end: Places
    ) -> tuple[Words, Words, dict[str, Places], NDArray[np.bool_]]:
        levels = np.zeros(len(begin), np.uint64)
        unknown, good = levels.copy(), np.ones(len(begin), np.bool_)
        numbers: dict[str, Places] = {}
        assert self._header is not None
        for at, column in enumerate(self._header.columns):
            first, last = begin[:, at], end[:, at]
            if column.kind in ("time", "count"):
                numbers[column.kind], fine = decimals(text, first, last)
            elif column.kind == "level":
                level = _LEVEL[text[first]]
                fine = (level != 255) & (last - first == 1)
                self._set(levels, unknown, column.channels, level.astype(np.uint64) & np.uint64(1), level == 2)
            elif column.kind == "hex":
                value, hidden, fine = _hex(text, first, last, len(column.channels))
                for bit, name in enumerate(column.channels):
                    one = value >> np.uint64(bit) & np.uint64(1)
                    self._set(levels, unknown, (name,), one, hidden >> np.uint64(bit) & np.uint64(1) != 0)
            else:
                continue
            good &= fine
        return levels, unknown, numbers, good

    def _set(self, levels: Words, unknown: Words, names: Sequence[str], one: Words, hidden: NDArray[np.bool_]) -> None:
        bit = self._bit.get(names[0])
        if bit is not None:
            levels |= one << np.uint64(bit)
            unknown |= hidden.astype(np.uint64) << np.uint64(bit)

    def _lost(self, odd: Places, rows: Places, numbers: dict[str, Places]) -> NDArray[np.bool_]:
        """Before which rows some are missing."""
        lost = np.zeros(len(rows) + 1, np.bool_)
        lost[np.searchsorted(rows, odd)] = True
        lost[0] |= self._lost_before
        self._lost_before = bool(lost[-1])
        lost = lost[:-1]
        if "count" in numbers and len(rows):
            count = numbers["count"]
            before = count[0] - 1 if self._last_count is None else self._last_count
            step = np.diff(count, prepend=before)
            lost |= ~((step == 1) | np.isin(step, [-255, -65535, -4294967295]))
            self._last_count = int(count[-1])
        return lost

    def _emit(self, levels: Words, unknown: Words, lost: NDArray[np.bool_], numbers: dict[str, Places]) -> None:
        if not len(levels):
            return
        if "time" in numbers:
            time = self._whole_times(numbers["time"])
        else:
            time = self._next + np.arange(len(levels)) + np.cumsum(lost)
            self._next = int(time[-1]) + 1
        gaps = np.flatnonzero(lost)
        if len(gaps):
            unknown = np.insert(unknown, gaps, np.uint64((1 << len(self.names)) - 1))
            levels = np.insert(levels, gaps, np.uint64(0))
            time = np.insert(
                time, gaps, np.maximum(time[gaps] - 1, np.where(gaps > 0, time[np.maximum(gaps - 1, 0)], 0))
            )
        self.rows.add(time, levels, unknown)

    def _whole_times(self, time: Places) -> Places:
        """Times that go on where a 32-bit counter begins again."""
        before = np.diff(time, prepend=max(self._last_time, 0))
        self._last_time = int(time[-1])
        time = time + self._offset + np.cumsum((before < -(1 << 31)).astype(np.int64) << 32)
        self._offset = int(time[-1]) - self._last_time
        time = np.maximum.accumulate(np.maximum(time, self._latest))  # a time misread stands still
        self._latest = int(time[-1])
        return time

    def _count_bad(self, line: int, text: str, many: int = 1) -> None:
        self._first_bad = self._first_bad or (line, text)
        self._bad += many
        if self._bad > FEW_BAD + MOST_BAD * self._read:
            raise SimkitError(
                f"{self._bad} of {self._bad + self._read} lines are not as the header says; the first is {text}.",
                file=self._file,
                line=self._first_bad[0],
                remedy="Look at the columns of the header, and at the rate of the serial port.",
            )


def _hex(text: Bytes, begin: Places, end: Places, bits: int) -> tuple[Words, Words, NDArray[np.bool_]]:
    """Numbers in hex, bits that are hidden by x, and which words are such of so many bits."""
    value, good = hexadecimals(text, begin, end)
    hidden = np.zeros(len(begin), np.uint64)
    for at in np.flatnonzero(~good):
        word = bytes(text[begin[at] : end[at]]).decode("latin-1").lower()
        if word in ("x", "-"):
            hidden[at], value[at], good[at] = (1 << bits) - 1, 0, True
        elif re.fullmatch(r"[0-9a-fx]{1,16}", word):
            value[at] = int(word.replace("x", "0"), 16)
            hidden[at] = int(re.sub(r"[0-9a-f]", "0", word).replace("x", "f"), 16)
            good[at] = True
    fits = (value >> np.uint64(bits)) == 0 if bits < 64 else np.ones(len(value), np.bool_)
    return value, hidden, good & fits & (end - begin <= -(-bits // 4))
