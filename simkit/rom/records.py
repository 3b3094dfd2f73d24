"""Records of Intel HEX and S-record files: what one line says, and what all of them say together.

Sources: Intel, Hexadecimal Object File Format Specification, revision A, 6 January 1988 (types 00 to 05, checksum);
Motorola M68000 family reference, S-record appendix (S0 to S9, S5 and S6 count the data records before; from memory).

A record is 11 to 524 characters; reading them takes time in proportion to their number, in whatever order their
addresses come. Messages show figures of records, never a line: the file may be another one than was meant.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import attrs

_FORMATS = {":": "Intel HEX", "S": "S-records"}
_RECORD = re.compile(r":(?:[0-9A-F]{2}){5,260}|S[0-9](?:[0-9A-F]{2}){4,256}")
_ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
"""Of S-records by type; S4 is reserved."""
_SEGMENT, _LINEAR = 2, 4
"""Types of Intel HEX records that say where the next ones begin."""
_MOST_TYPE = 5


class RecordError(Exception):
    """A record that is not sound.

    Attributes:
        line: its number, from 1; 0 in an empty file.
        reason: what is wrong.
    """

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(f"line {line}: {reason}")
        self.line = line
        self.reason = reason


class NoEndError(RecordError):
    """The end record is missing."""


@attrs.frozen(slots=True)
class _Record:
    """A sound record: number of its line, type, address, data."""

    line: int
    kind: int
    address: int
    data: bytes


def segments(lines: Iterable[str], most_bytes: int) -> list[tuple[int, bytes]]:
    """Runs of bytes with the addresses they are written for, lowest first.

    Args:
        lines: of the file.
        most_bytes: data it may hold.

    Raises:
        RecordError: a record that is not sound, none of the format of the first, behind the end or for a taken
            address; a count that disagrees; too many bytes. NoEndError: the end record is missing.
    """
    placed: list[tuple[int, int, bytes]] = []
    size = 0
    for line, address, data in _data(lines):
        size += len(data)
        if size > most_bytes:
            raise RecordError(line, f"the file holds more than {most_bytes} bytes, too many for an 8-bit machine")
        placed.append((address, line, data))
    placed.sort(key=lambda one: one[:2])
    runs: list[tuple[int, bytearray]] = []
    before = 0
    for address, line, data in placed:
        if runs and address <= (end := runs[-1][0] + len(runs[-1][1])):
            if address < end:
                raise RecordError(max(line, before), "another record has data for the same address")
            runs[-1][1].extend(data)
        else:
            runs.append((address, bytearray(data)))
        before = line
    return [(address, bytes(data)) for address, data in runs]


def start_of(lines: Iterable[str]) -> int | None:
    """Address at which the records of a sound file say that the program begins, or None.

    Types 03 (segment and offset) and 05 of Intel HEX; S7, S8 and S9, in which zero says nothing.
    """
    for number, line in enumerate(lines, start=1):
        text = line.strip().upper()
        if text.startswith((":04000003", ":04000005")):
            data = _intel(number, text).data
            if text[8] == "5":
                return int.from_bytes(data, "big")
            return (int.from_bytes(data[:2], "big") << 4) + int.from_bytes(data[2:], "big")
        if text.startswith(("S7", "S8", "S9")):
            return _motorola(number, text).address or None
    return None


def _data(lines: Iterable[str]) -> Iterator[tuple[int, int, bytes]]:
    """Line, address and bytes of each data record that has any."""
    mark = ""
    base = number = count = 0
    ended = False
    for number, line in enumerate(lines, start=1):
        text = line.strip().upper()
        if not text:
            continue
        if ended:
            raise RecordError(number, "a record stands behind the end record")
        mark = mark or text[0]
        if text[0] != mark or not _RECORD.fullmatch(text):
            raise RecordError(number, f"it is no whole record of {_FORMATS.get(mark, 'Intel HEX or S-records')}")
        if mark == ":":
            record = _intel(number, text)
            if record.kind in (_SEGMENT, _LINEAR):
                base = int.from_bytes(record.data, "big") << (4 if record.kind == _SEGMENT else 16)
            ended = record.kind == 1
            is_data = record.kind == 0
        else:
            record = _motorola(number, text)
            is_data = 1 <= record.kind <= 3
            count += is_data
            if record.kind in (5, 6) and record.address != count:
                raise RecordError(number, f"it counts {record.address} data records, before it stand {count}")
            ended = record.kind >= 7
        if is_data and record.data:
            yield number, base + record.address, record.data
    if not ended:
        raise NoEndError(number, "the hex file has no end record, so its end may be missing")


def _intel(line: int, text: str) -> _Record:
    content = bytes.fromhex(text[1:])
    size, kind, data = content[0], content[3], content[4:-1]
    if size != len(data):
        raise RecordError(line, f"the record has a wrong size: it says {size} bytes of data and holds {len(data)}")
    if (wrong := sum(content) & 0xFF) != 0:
        raise _wrong_sum(line, content[-1], content[-1] - wrong)
    if kind > _MOST_TYPE:
        raise RecordError(line, f"there is no record of type {kind:02X}")
    if kind in (_SEGMENT, _LINEAR) and size != 2:
        raise RecordError(line, f"a record of type {kind:02X} holds 2 bytes, not {size}")
    return _Record(line, kind, int.from_bytes(content[1:3], "big"), data)


def _motorola(line: int, text: str) -> _Record:
    content = bytes.fromhex(text[2:])
    size, kind = content[0], text[1]
    if kind not in _ADDRESS_BYTES:
        raise RecordError(line, f"there is no record of type S{kind}")
    start = 1 + _ADDRESS_BYTES[kind]
    if size != len(content) - 1 or len(content) <= start:
        raise RecordError(line, f"the record has a wrong size: it says {size} bytes and holds {len(content) - 1}")
    if (wrong := (sum(content) + 1) & 0xFF) != 0:
        raise _wrong_sum(line, content[-1], content[-1] - wrong)
    return _Record(line, int(kind), int.from_bytes(content[1:start], "big"), content[start:-1])


def _wrong_sum(line: int, found: int, right: int) -> RecordError:
    return RecordError(line, f"the record ends with the checksum ${found:02X}; its bytes give ${right & 0xFF:02X}")
