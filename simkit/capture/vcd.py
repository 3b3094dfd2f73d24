"""Value change dumps (VCD), as analysers and simulators write them, by tokens and in bulk.

The form is that of IEEE Std 1364-2005, clause 18. What exporters make of it, and what is coped with: tokens on any
line; identifier codes of any printing characters; several variables with one code; names with blanks or brackets;
vectors shorter than their width; a time scale in one or two words; no `$dumpvars`; a first time other than 0; a last
time alone, which is the end of the capture; equal times (one instant). Times that go back are refused. Variables that
are real numbers, texts or events are left out.
"""

from __future__ import annotations

import re
from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.rows import Rows
from simkit.capture.samples import Samples
from simkit.capture.tokens import Bytes, Places, decimals, key_of, keys, words
from simkit.capture.vcd_header import Header, read_header
from simkit.capture.wanted import Chooser
from simkit.contract.errors import SimkitError, shown

MOST_HEADER = 8_000_000
"""Bytes of the declarations: of the largest design whose signals a person looks at some hundred thousand."""
MOST_COMMENT = 1_000_000
_NOTHING = np.uint8(255)
_LEVEL = np.full(256, _NOTHING, np.uint8)
for _letter, _value in zip(b"01xXzZ", (0, 1, 2, 2, 2, 2), strict=True):
    _LEVEL[_letter] = _value
_IS_VECTOR = np.zeros(256, np.bool_)
_IS_VECTOR[list(b"bBrRsS")] = True


class VcdReader:
    """Reads a dump piece by piece.

    Args:
        file: for messages.
        choose: which channels are wanted.
        rate: sampling rate in Hz, where the user says it.
    """

    def __init__(self, file: str, choose: Chooser, rate: Fraction | None = None) -> None:
        self.rows = Rows(file)
        self._file = file
        self._choose = choose
        self._rate = rate
        self._header: Header | None = None
        self._left = b""  # of the pieces so far, what is not yet read
        self._lines = 1  # at which it begins
        self._levels, self._unknown = np.uint64(0), np.uint64(0)
        self._time: int | None = None
        self._changed = False  # whether something changed at the last time
        self.names: tuple[str, ...] = ()
        self.by_cycle = False

    def feed(self, piece: bytes) -> None:
        """Read what can be read now.

        Raises:
            SimkitError: no dump, or something in it cannot be meant; with the line.
        """
        data = self._left + piece
        if self._header is None:
            end = re.search(rb"\$enddefinitions\s+\$end(?=\s)", data)
            if end is None:
                if len(data) > MOST_HEADER:
                    raise self._wrong(data, 0, "The declarations do not end.", "Look for $enddefinitions $end.")
                self._left = data
                return
            self._begin(read_header(data[: end.end()], self._file))
            data = self._after(data, end.end())
        cut = max(data.rfind(blank) for blank in (b" ", b"\n", b"\t", b"\r")) + 1
        self._left = data[cut:]
        if cut:
            kept = self._changes(data[:cut])
            self._left = kept + self._left
        if len(self._left) > MOST_COMMENT:
            raise self._wrong(data, 0, "A word or a comment does not end.", "Export it again.")

    def finish(self) -> Samples:
        """All that was read.

        Raises:
            SimkitError: the dump ends within its declarations, or holds no change.
        """
        self.feed(b"\n")
        if self._header is None:
            raise self._wrong(b"", 0, "The declarations do not end.", "Look for $enddefinitions $end.")
        header, time, period = self._header, self._time, self.period
        if time is not None and self._changed:
            self._emit(np.array([time]), np.array([self._levels]), np.array([self._unknown]))
            self._changed = False
            end = time + (max(1, round(period)) if period is not None else 1)
        else:
            end = time or 0
        samples = self.rows.samples(self.names, header.tick, period, end, complete=False)
        return _on_the_rate(samples) if period is not None else samples

    @property
    def tick(self) -> Fraction:
        """The time scale in seconds; 1 before it is read."""
        return self._header.tick if self._header is not None else Fraction(1)

    @property
    def period(self) -> Fraction | None:
        """Of sampling, in ticks, where the user or the dump says it."""
        rate = self._rate or (self._header.rate if self._header is not None else None)
        return 1 / (rate * self.tick) if rate is not None else None

    def _begin(self, header: Header) -> None:
        self._header = header
        every = [name for variable in header.variables for name in variable.bits]
        chosen = self._choose(every)
        self.names = tuple(every[at] for at in chosen)
        bit_of = {at: bit for bit, at in enumerate(chosen)}
        self._vectors: dict[int, list[list[int]]] = {}
        at = 0
        codes: set[int] = set()
        for variable in header.variables:
            key = key_of(variable.code.encode("utf-8"))
            codes.add(key)
            places = [bit_of.get(at + number, -1) for number in range(len(variable.bits))]
            at += len(variable.bits)
            if any(place >= 0 for place in places):
                nobody: list[list[int]] = [[] for _ in places]
                members = self._vectors.setdefault(key, nobody)
                for member, place in zip(members, places, strict=False):
                    if place >= 0:
                        member.append(place)
        self._known = np.array(sorted(codes), np.uint64)
        self._rows_of = np.array(sorted(self._vectors), np.uint64)
        self._places = [self._vectors[int(key)] for key in self._rows_of]
        self._unknown = np.uint64((1 << len(self.names)) - 1)

    def _changes(self, data: bytes) -> bytes:
        """Read whole words; gives those that must wait for more."""
        text = np.frombuffer(data, np.uint8)
        begin, end = words(text)
        first = text[begin]
        value_of = _vector_starts(first)
        if len(begin) and value_of[-1]:  # its code comes with the next piece
            keep = int(begin[-1])
            return self._changes(data[:keep]) + data[keep:]
        is_code = np.zeros(len(begin), np.bool_)
        is_code[1:] = value_of[:-1]
        command = np.flatnonzero((first == ord("$")) & ~is_code)
        if len(command):
            kept = self._without_comments(data, text, begin, end, command)
            if kept is not None:
                return kept
        is_time = (first == ord("#")) & ~is_code
        level = _LEVEL[first]
        is_scalar = (level != _NOTHING) & ~is_code & (end - begin > 1)
        other = ~(is_time | is_scalar | value_of | is_code)
        other[command] = False
        if other.any():
            at = int(begin[np.argmax(other)])
            word = data[at : at + 40].split()[0].decode("latin-1")
            raise self._wrong(data, at, f"{shown(word)} is no change and no time.", "Export it again.")
        self._words(data, text, begin, end, is_time, is_scalar, value_of, level)
        self._lines += data.count(b"\n")
        return b""

    def _without_comments(self, data: bytes, text: Bytes, begin: Places, end: Places, command: Places) -> bytes | None:
        """Read the data with its comments blanked; None when there are none."""
        opened = None
        holes: list[tuple[int, int]] = []
        for at in command:
            word = data[begin[at] : end[at]]
            if opened is not None and word == b"$end":
                holes.append((opened, int(end[at])))
                opened = None
            elif opened is None and word in (b"$comment", b"$date", b"$version"):
                opened = int(begin[at])
        if opened is None and not holes:
            return None
        clean = bytearray(data if opened is None else data[:opened])
        for low, high in holes:
            clean[low:high] = re.sub(rb"[^\n]", b" ", bytes(clean[low:high]))
        rest = b"" if opened is None else data[opened:]
        return self._changes(bytes(clean)) + rest

    def _words(
        self,
        data: bytes,
        text: Bytes,
        begin: Places,
        end: Places,
        is_time: NDArray[np.bool_],
        is_scalar: NDArray[np.bool_],
        value_of: NDArray[np.bool_],
        level: NDArray[np.uint8],
    ) -> None:
        times = np.flatnonzero(is_time)
        moments, good = decimals(text, begin[times] + 1, end[times])
        if not good.all():
            at = int(begin[times[np.argmin(good)]])
            raise self._wrong(data, at, "A time is # and a number of up to 18 digits.", "Export it again.")
        if len(times):
            step = np.diff(moments, prepend=moments[0] if self._time is None else np.int64(self._time))
            if (step < 0).any():
                back = int(np.argmax(step < 0))
                message = f"Time goes back from {moments[back] - step[back]} to {moments[back]}."
                is_cut = int(end[times[back]]) == len(data.rstrip())
                remedy = "The file ends in it, cut off: export it again." if is_cut else "Split it at its restarts."
                raise self._wrong(data, int(begin[times[back]]), message, remedy)
        which = np.flatnonzero(is_scalar)
        places, bits, values = self._scalar_bits(data, text, begin, end, which, level)
        vectors = np.flatnonzero(value_of)
        if len(vectors):
            more = self._vector_bits(data, text, begin, end, vectors)
            places = np.concatenate((places, more[0]))
            bits, values = np.concatenate((bits, more[1])), np.concatenate((values, more[2]))
            order = np.argsort(places, kind="stable")
            places, bits, values = places[order], bits[order], values[order]
        self._states(times, moments, places, bits, values)

    def _scalar_bits(
        self, data: bytes, text: Bytes, begin: Places, end: Places, which: Places, level: NDArray[np.uint8]
    ) -> tuple[Places, NDArray[np.uint8], NDArray[np.uint8]]:
        """Word, bit and level (2: unknown) of each change of one bit."""
        key = keys(text, begin[which] + 1, end[which])
        wanted = self._row(data, begin[which], key)
        out: list[tuple[Places, NDArray[np.uint8]]] = []
        one = np.full(len(self._places) + 1, -1, np.int64)
        extra: list[tuple[int, int]] = []
        for row, bits in enumerate(self._places):
            if bits[0]:
                one[row] = bits[0][0]
                extra += [(row, bit) for bit in bits[0][1:]]
        bit = one[wanted]
        here = np.flatnonzero(bit >= 0)
        out.append((which[here], bit[here].astype(np.uint8)))
        for row, other in extra:
            here = np.flatnonzero(wanted == row)
            out.append((which[here], np.full(len(here), other, np.uint8)))
        if len(out) == 1:
            places, bits_ = out[0]
        else:
            places, bits_ = np.concatenate([each[0] for each in out]), np.concatenate([each[1] for each in out])
            order = np.argsort(places, kind="stable")
            places, bits_ = places[order], bits_[order]
        return places, bits_, level[places]

    def _vector_bits(
        self, data: bytes, text: Bytes, begin: Places, end: Places, which: Places
    ) -> tuple[Places, NDArray[np.uint8], NDArray[np.uint8]]:
        """The same of vectors, whose values stand before their codes."""
        binary = np.isin(text[begin[which]], np.frombuffer(b"bB", np.uint8))
        which = which[binary]
        wanted = self._row(data, begin[which + 1], keys(text, begin[which + 1], end[which + 1]))
        length = end[which] - begin[which] - 1
        places, bits, values = [], [], []
        top = _LEVEL[text[begin[which] + 1]] if len(which) else np.zeros(0, np.uint8)
        if (length < 1).any() or (top == _NOTHING).any():
            at = int(begin[which[np.argmax((length < 1) | (top == _NOTHING))]])
            raise self._wrong(data, at, "A vector is b and digits 0, 1, x or z.", "Export it again.")
        for row, members in enumerate(self._places):
            mine = np.flatnonzero(wanted == row)
            if not len(mine):
                continue
            for number, targets in enumerate(members):
                if not targets:
                    continue
                there = length[mine] > number
                digit = _LEVEL[text[np.where(there, end[which[mine]] - 1 - number, begin[which[mine]] + 1)]]
                digit = np.where(there, digit, np.where(top[mine] == 1, 0, top[mine]))
                if (digit == _NOTHING).any():
                    at = int(begin[which[mine[np.argmax(digit == _NOTHING)]]])
                    raise self._wrong(data, at, "A vector is b and digits 0, 1, x or z.", "Export it again.")
                for target in targets:
                    places.append(which[mine])
                    bits.append(np.full(len(mine), target, np.uint8))
                    values.append(digit.astype(np.uint8))
        none = np.zeros(0, np.uint8)
        if not places:
            return np.zeros(0, np.int64), none, none
        return np.concatenate(places), np.concatenate(bits), np.concatenate(values)

    def _row(self, data: bytes, begin: Places, key: NDArray[np.uint64]) -> NDArray[np.int64]:
        """Index in _places for each code, the number of rows for one that is not wanted."""
        if not len(key):
            return np.zeros(0, np.int64)
        if not len(self._known):
            raise self._wrong(data, int(begin[0]), "No variable is declared.", "Export it again.")
        if int(self._known[-1]) < 256:
            return self._small_row(data, begin, key)
        at = np.minimum(np.searchsorted(self._known, key), len(self._known) - 1)
        self._declared(data, begin, self._known[at] == key)
        if not len(self._rows_of):
            return np.zeros(len(key), np.int64)
        row = np.minimum(np.searchsorted(self._rows_of, key), len(self._rows_of) - 1)
        return np.where(self._rows_of[row] == key, row, len(self._rows_of))

    def _small_row(self, data: bytes, begin: Places, key: NDArray[np.uint64]) -> NDArray[np.int64]:
        """The same where all codes are of one character."""
        table = np.full(257, -1, np.int64)
        table[self._known.astype(np.int64)] = len(self._rows_of)
        table[self._rows_of.astype(np.int64)] = np.arange(len(self._rows_of))
        row = table[np.minimum(key, np.uint64(256)).astype(np.int64)]
        self._declared(data, begin, row >= 0)
        return row

    def _declared(self, data: bytes, begin: Places, good: NDArray[np.bool_]) -> None:
        if not good.all():
            at = int(begin[np.argmin(good)])
            word = data[at : at + 40].split()[0].decode("latin-1")
            raise self._wrong(data, at, f"{shown(word)} is of no variable that is declared.", "Export it again.")

    def _states(
        self, times: Places, moments: Places, places: Places, bits: NDArray[np.uint8], values: NDArray[np.uint8]
    ) -> None:
        """Levels at the end of each moment, from the changes in the order of their words."""
        low = _states_after(self._levels, bits, (values & 1).astype(np.uint64))
        if self._unknown or (values > 1).any():
            bad = _states_after(self._unknown, bits, (values >> 1).astype(np.uint64))
        else:
            bad = np.zeros_like(low)
        upto = np.searchsorted(places, times)  # changes before each time word
        last = len(places)
        ends = np.append(upto[1:], last)  # changes up to the end of each moment
        if len(times):
            if self._time is not None and (self._changed or upto[0]) and moments[0] != self._time:
                self._emit(np.array([self._time]), low[upto[:1]], bad[upto[:1]])
            elif self._time is None and upto[0]:
                self._emit(np.array([min(0, int(moments[0]) - 1)]), low[upto[:1]], bad[upto[:1]])
            whole = np.flatnonzero(np.diff(moments) > 0)  # those of which another time follows
            self._emit(moments[whole], low[ends[whole]], bad[ends[whole]])
            since = int(upto[np.flatnonzero(moments == moments[-1])[0]])
            goes_on = self._changed and self._time == int(moments[-1])
            self._time, self._changed = int(moments[-1]), goes_on or last > since
        else:
            self._changed |= bool(last)
            if self._time is None and last:
                self._time = 0
        self._levels, self._unknown = low[-1], bad[-1]

    def _emit(self, time: Places, levels: NDArray[np.uint64], unknown: NDArray[np.uint64]) -> None:
        self.rows.add(np.asarray(time, np.int64), levels, unknown)

    def _after(self, data: bytes, end: int) -> bytes:
        self._lines += data.count(b"\n", 0, end)
        return data[end:]

    def _wrong(self, data: bytes, at: int, message: str, remedy: str) -> SimkitError:
        line = self._lines + data.count(b"\n", 0, at)
        return SimkitError(message, file=self._file, line=line, remedy=remedy)


def _vector_starts(first: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which words are values of vectors, whose code is the next word; a code may begin with any character."""
    is_vector = _IS_VECTOR[first]
    if not is_vector.any():
        return is_vector
    at = np.arange(len(first))
    begins = np.maximum.accumulate(np.where(is_vector, -1, at))  # the word before the run of such words
    return np.asarray(is_vector & ((at - begins) % 2 == 1), np.bool_)


def _states_after(state: np.uint64, bits: NDArray[np.uint8], values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The state before all changes and after each, where change i sets a bit to a value."""
    order = np.argsort(bits, kind="stable")
    ordered, mine = values[order], bits[order]
    before = np.empty_like(ordered)
    before[1:] = ordered[:-1]
    firsts = np.ones(len(mine), np.bool_)
    firsts[1:] = mine[1:] != mine[:-1]
    before[firsts] = state >> mine[firsts].astype(np.uint64) & np.uint64(1)
    flips = np.empty(len(bits) + 1, np.uint64)
    flips[0] = state
    flips[1 + order] = (ordered ^ before) << mine.astype(np.uint64)
    return np.asarray(np.bitwise_xor.accumulate(flips), np.uint64)


def _on_the_rate(samples: Samples) -> Samples:
    """Times as numbers of samples, where every one stands on the sampling rate but for rounding to the time scale."""
    if samples.period is None or len(samples) > 1 << 62:
        return samples
    period = float(samples.period)
    number = np.rint(samples.time / period).astype(np.int64)
    if (np.abs(number * period - samples.time) > 1.01).any() or (np.diff(number) <= 0).any():
        return samples
    return attrs.evolve(
        samples,
        time=number,
        tick=samples.tick * samples.period,
        period=Fraction(1),
        end=max(round(samples.end / period), int(number[-1]) + 1),
    )
