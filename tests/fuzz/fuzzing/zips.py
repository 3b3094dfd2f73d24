"""Zip files made byte by byte: entries that say one thing of themselves and another in the directory, or lie in both.

Source: PKWARE, .ZIP File Format Specification (APPNOTE.TXT) 6.3.10, 2022: 4.3.6 to 4.3.16 (from memory).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import attrs

PLAIN_FILE = 0o100644
_DATE = (0, 33)
"""Midnight of the first day that a zip file can say."""


@attrs.frozen
class Entry:
    """An entry.

    Attributes:
        name: of it.
        packed: its content as it lies in the file.
        size: of the content, as it says.
        crc: checksum of the content, as it says.
        here: what it says of itself otherwise: flags, method, crc, packed, size, name.
        there: what the directory says of it otherwise: the same, and offset, rights and disk.
        extra: extra field, here and there.
        comment: in the directory.
        before: what lies before it.
    """

    name: bytes
    packed: bytes
    size: int
    crc: int
    here: Mapping[str, Any] = attrs.field(factory=dict)
    there: Mapping[str, Any] = attrs.field(factory=dict)
    extra: bytes = b""
    comment: bytes = b""
    before: bytes = b""

    def says(self, other: Mapping[str, Any]) -> dict[str, Any]:
        """What stands in a header."""
        usual = {"flags": 0, "method": 8, "crc": self.crc, "packed": len(self.packed), "size": self.size}
        return {**usual, "name": self.name, "rights": PLAIN_FILE, "disk": 0, **other}


def entry(name: str, content: bytes, level: int = 9, **changes: Any) -> Entry:
    """An entry as it should be, but for what is changed."""
    packing = zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = packing.compress(content) + packing.flush()
    raw = name.encode("utf-8", "surrogatepass")
    flags = {} if raw.isascii() else {"flags": 0x800}
    return attrs.evolve(Entry(raw, packed, len(content), zlib.crc32(content), flags, flags), **changes)


def zip_of(
    entries: Sequence[Entry],
    *,
    before: bytes = b"",
    between: bytes = b"",
    more: bytes = b"",
    count: int | None = None,
    comment: bytes = b"",
) -> bytes:
    """A zip file.

    Args:
        entries: in their order.
        before: what lies before all.
        between: what lies between the last entry and the directory.
        more: what lies behind the directory and counts as part of it.
        count: entries that the end speaks of; None: as many as there are.
        comment: at the end.
    """
    data, directory = before, b""
    for one in entries:
        data += one.before
        here, there = one.says(one.here), one.says(one.there)
        offset = one.there.get("offset", len(data))
        sizes = [struct.pack("<3L", said["crc"], said["packed"], said["size"]) for said in (here, there)]
        data += struct.pack("<4s5H", b"PK\3\4", 20, here["flags"], here["method"], *_DATE) + sizes[0]
        data += struct.pack("<2H", len(here["name"]), len(one.extra)) + here["name"] + one.extra + one.packed
        directory += struct.pack("<4s6H", b"PK\1\2", 788, 20, there["flags"], there["method"], *_DATE) + sizes[1]
        lengths = len(there["name"]), len(one.extra), len(one.comment)
        directory += struct.pack("<5H2L", *lengths, there["disk"], 0, there["rights"] << 16, offset)
        directory += there["name"] + one.extra + one.comment
    count = len(entries) if count is None else count
    start = len(data) + len(between)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, count, count, len(directory) + len(more), start, len(comment))
    return data + between + directory + more + end + comment
