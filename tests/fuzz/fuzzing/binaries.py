"""Files of bytes: raw images, pictures by their chunks, states by their entries."""

from __future__ import annotations

import io
import json
import struct
import warnings
import zipfile
import zlib

from fuzzing import corpus
from fuzzing.rolls import Rolls
from fuzzing.structure import changed

SIZES = (0, 1, 2, 255, 256, 2048, 4095, 4096, 8192, 32767, 32768, 32769, 65536, 65537, 131072)


def size(rolls: Rolls) -> str:
    """Size of the part that an image is for."""
    return str(rolls.choice((8192, 32768, 65536, 256, 1 << 19, 1)))


def raw(rolls: Rolls) -> bytes:
    """A raw image."""
    if rolls.chance(30):
        return bytes(rolls.choice((4_000_000, 4_000_001, 5_000_000)))
    return rolls.bytes_like(rolls.choice(SIZES))


def _chunk(rolls: Rolls, kind: bytes, data: bytes) -> bytes:
    length = len(data) if rolls.randrange(40) else rolls.choice((0, 2**31 - 1, 2**32 - 1, len(data) + 1))
    checksum = zlib.crc32(kind + data) ^ (0 if rolls.randrange(30) else 1)
    return struct.pack(">I", length & 0xFFFFFFFF) + kind + data + struct.pack(">I", checksum)


def picture(rolls: Rolls) -> bytes:
    """A PNG file, chunk by chunk; half of them sound but for a detail."""
    if rolls.chance(5):
        return rolls.spoil(corpus.written()["png"])
    sound = rolls.chance(2)
    wide, high = rolls.choice(((4, 3), (256, 192), (1, 1), (2000, 2000)))
    depth, kind = rolls.choice((8, 8, 4, 2, 1)), 3
    rest = (0, 0, 0)
    if not sound:
        wide, high = rolls.choice(((wide, high), (0, 5), (2**31, 1), (2001, 2000), (65535, 65535)))
        depth, kind = rolls.choice(((depth, 3), (16, 3), (8, 2), (8, 0), (0, 3), (7, 3), (8, 255)))
        rest = tuple(rolls.choice((0, 0, 1, 255)) for _ in range(3))
    row = (min(wide, 5000) * depth + 7) // 8
    filters = (0, 1, 2, 3, 4) if sound else (0, 0, 5, 255)
    rows = b"".join(bytes([rolls.choice(filters)]) + rolls.bytes_like(row) for _ in range(min(high, 60)))
    if high > 60 and wide * high <= 5_000_000:
        rows += (b"\0" + bytes(row)) * (high - 60)
    if rolls.chance(12):  # far more than the header says
        rows += bytes(rolls.choice((1, 10_000, 30_000_000)))
    packed = zlib.compress(rows, 1)
    chunks = [
        (b"IHDR", struct.pack(">IIBBBBB", wide, high, depth, kind, *rest)),
        (b"PLTE", rolls.bytes_like(48 if sound else rolls.choice((3, 768, 0, 47, 771)))),
        *((b"tEXt", b"simkit\0x") for _ in range(rolls.choice((0, 0, 1, 500)))),
        *((b"IDAT", packed[at : at + 8000]) for at in range(0, len(packed), 8000)),
        (b"IEND", b""),
    ]
    if not sound and rolls.chance(2):
        at = rolls.randrange(len(chunks))
        chunks.insert(at, rolls.choice(chunks)) if rolls.chance(2) else chunks.pop(at)
    data = b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(rolls, name, content) for name, content in chunks)
    return rolls.spoil(data) if rolls.chance(9) else data


def state(rolls: Rolls) -> bytes:
    """A machine's state: a zip file, entry by entry."""
    if rolls.chance(4):
        return rolls.spoil(corpus.state())
    entries = list(corpus.state_entries().items())
    if rolls.chance(5):
        return _packed([(name, _other_bytes(rolls, name, content)) for name, content in entries])
    for _ in range(rolls.choice((1, 1, 2, 3))):
        at = rolls.randrange(len(entries))
        name, content = entries[at]
        roll = rolls.randrange(12)
        if roll < 7 and content[:1] == b"{" and content == corpus.state_entries().get(name):
            content = json.dumps(changed(rolls, json.loads(content), lambda r, key, value: r.scalar())).encode()
        elif roll < 9:
            content = rolls.spoil(content)
        elif roll == 9:
            name = rolls.choice(
                (
                    "../out",
                    "/tmp/out",
                    "cards/99.json",
                    "cards/x.json",
                    "cards/-1.json",
                    "manifest.json",
                    rolls.word() or "x",
                )
            )
        elif roll == 10:
            content = bytes(rolls.choice((1, 70_000, 20_000_000)))
        else:
            entries.append((f"cards/{rolls.number()}.json", b"{}"))
        entries[at] = (name, content)
    data = _packed(entries)
    return rolls.spoil(data) if rolls.chance(9) else data


def _packed(entries: list[tuple[str, bytes]]) -> bytes:
    packed = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        warnings.simplefilter("ignore")  # a name that stands twice
        for name, content in entries:
            archive.writestr(zipfile.ZipInfo(name.replace("\0", "") or "x"), content)
    return packed.getvalue()


def _other_bytes(rolls: Rolls, name: str, content: bytes) -> bytes:
    """A card's memory with other bytes in it; a picture's pixels stay colours."""
    if not name.startswith(("cards/01/", "cards/05/0")) or not content:
        return content
    at = rolls.randrange(len(content))
    return (content[:at] + rolls.randbytes(rolls.randint(0, 40)) + content[at + 40 :])[: len(content)].ljust(
        len(content), b"\0"
    )
