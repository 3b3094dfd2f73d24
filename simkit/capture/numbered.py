"""The text form of a sample a line: `;Rate: 1000000`, `;Channels: 5`, then `0019@7`, its levels in hex @ its number."""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np

from simkit.capture.channels import Reading
from simkit.capture.rows import Rows
from simkit.capture.samples import MOST_CHANNELS, Samples
from simkit.capture.tokens import decimals, hexadecimals, words
from simkit.capture.wanted import Chooser
from simkit.contract.errors import SimkitError, shown

MOST_LINE = 65_536
_SETTING = re.compile(r";\s*(\w+)\s*:\s*(\S+)\s*\Z")
_SAMPLE = re.compile(rb"^[0-9a-fA-F]{1,16}@[0-9]{1,18}\s*$", re.MULTILINE)


def looks_numbered(head: bytes) -> bool:
    """Whether the beginning of a file is that of this form."""
    return re.search(rb"^;\s*Rate\s*:", head, re.MULTILINE) is not None and _SAMPLE.search(head) is not None


class NumberedReader:
    """Reads such a file piece by piece; a number that is left out repeats the sample before.

    Args:
        file: for messages.
        choose: which channels are wanted.
        reading: what the user says of it.
    """

    def __init__(self, file: str, choose: Chooser, reading: Reading) -> None:
        self._file, self._choose, self._reading = file, choose, reading
        self._rows = Rows(file)
        self._left = b""
        self._line = 1
        self._said: dict[str, str] = {}
        self._wanted: list[int] | None = None
        self._last = -1
        self.names: tuple[str, ...] = ()

    def feed(self, piece: bytes) -> None:
        """Read what can be read now.

        Raises:
            SimkitError: a line that cannot be meant; with its number.
        """
        data = self._left + piece
        cut = data.rfind(b"\n") + 1
        self._left = data[cut:]
        if len(self._left) > MOST_LINE:
            raise self._wrong(0, "The line does not end.")
        if cut:
            self._take(data[:cut])

    def finish(self) -> Samples:
        """All that was read.

        Raises:
            SimkitError: not one sample, or no rate.
        """
        if self._left:
            self.feed(b"\n")
        rate = self._reading.rate
        if rate is None and self._said.get("Rate", "").isdigit():
            rate = Fraction(int(self._said["Rate"]))
        if not rate:
            raise SimkitError(
                "The capture does not say its sampling rate.",
                file=self._file,
                remedy='Say it in the channel file: [capture], rate = "1 MHz".',
            )
        return self._rows.samples(self.names, 1 / rate, Fraction(1), self._last + 1, complete=True)

    def _take(self, data: bytes) -> None:
        begin = 0
        while data[begin : begin + 1] in (b";", b"#", b"\n", b"\r"):
            end = data.index(b"\n", begin)
            if (said := _SETTING.match(data[begin:end].decode("latin-1").strip())) is not None:
                self._said[said[1]] = said[2]
            begin = end + 1
        body = data[begin:]
        if not body:
            self._line += data.count(b"\n")
            return
        if b";" in body:
            body = re.sub(rb";[^\n]*", b"", body)
        text = np.frombuffer(body.replace(b"@", b" "), np.uint8)
        first, last = words(text)
        if len(first) % 2 or body.count(b"@") * 2 != len(first):
            for number, row in enumerate(body.split(b"\n")):
                if row.strip() and not re.fullmatch(rb"[0-9a-fA-F]+@[0-9]+", row.strip()):
                    raise self._wrong(
                        data.count(b"\n", 0, begin) + number, f"{shown(row[:40].decode('latin-1'))} is no sample."
                    )
        level, good = hexadecimals(text, first[::2], last[::2])
        time, also = decimals(text, first[1::2], last[1::2])
        good &= also
        good &= np.diff(time, prepend=self._last) > 0
        if not good.all():
            at = int(first[::2][np.argmin(good)])
            line = body.count(b"\n", 0, at) + data.count(b"\n", 0, begin)
            word = body[at : at + 40].split()[0].decode("latin-1")
            later = " later than the one before" if re.fullmatch(r"[0-9a-fA-F]{1,16}@[0-9]{1,18}", word) else ""
            raise self._wrong(line, f"{shown(word)} is no sample{later}.")
        if not len(time):
            return
        if self._wanted is None:
            self._begin()
        assert self._wanted is not None
        levels = np.zeros(len(level), np.uint64)
        for bit, place in enumerate(self._wanted):
            levels |= (level >> np.uint64(place) & np.uint64(1)) << np.uint64(bit)
        self._last = int(time[-1])
        self._rows.add(time, levels, np.zeros(len(level), np.uint64))
        self._line += data.count(b"\n")

    def _begin(self) -> None:
        count = self._said.get("Channels", "32")
        many = int(count) if count.isdigit() and len(count) < 4 else 32
        enabled = self._said.get("EnabledChannels", "-1")
        mask = int(enabled) if re.fullmatch(r"-?[0-9]{1,18}", enabled) else -1
        bits = [bit for bit in range(min(many, MOST_CHANNELS)) if mask >> bit & 1]
        names = [str(bit) for bit in bits]
        chosen = list(self._choose(names))
        self._wanted = [bits[at] for at in chosen]
        self.names = tuple(names[at] for at in chosen)

    def _wrong(self, further: int, message: str) -> SimkitError:
        return SimkitError(
            message,
            file=self._file,
            line=self._line + further,
            remedy="A sample is its levels in hex, @, and its number, which increases. Export it again.",
        )
