"""The zipped session archive (.sr), versions 1 and 2: samples as they were taken, without times.

`metadata` names the channels (probeN is bit N - 1 of a sample) and the rate; the samples lie in one member or in
several, in the order of their numbers. Where probes are listed with gaps some writers pack the bits of the listed ones
together all the same, and nothing in the file says so: a listed channel that never moves while a bit of no channel
does is told, with the way to read it so.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from fractions import Fraction
from io import BytesIO

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.channels import Reading
from simkit.capture.rows import Rows
from simkit.capture.samples import Samples
from simkit.capture.times import rate_said
from simkit.capture.wanted import Chooser
from simkit.contract.errors import SimkitError, shown

MOST_ZIPPED = 500_000_000
MOST_SAMPLE_BYTES = 1_000_000_000
MOST_METADATA = 1_000_000
MOST_MEMBERS = 100_000
MOST_PROBES = 512
SAMPLES_AT_ONCE = 1 << 20
_SAFE = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError)


def looks_like_archive(head: bytes) -> bool:
    """Whether the beginning of a file is that of a zip."""
    return head.startswith(b"PK\3\4")


@attrs.frozen
class _Metadata:
    """Of the first device: file of its samples, rate in Hz, bytes of a sample, bit and name of each probe."""

    file: str
    rate: Fraction | None
    unit: int
    probes: tuple[tuple[int, str], ...]


def read_archive(content: bytes, file: str, choose: Chooser, reading: Reading, notes: list[str]) -> Samples:
    """Read a session archive.

    Args:
        content: of the file, at most MOST_ZIPPED bytes.
        file: for messages.
        choose: which channels are wanted.
        reading: what the user says of it.
        notes: gets what is to be told.

    Raises:
        SimkitError: it is damaged, no such archive, or larger than allowed.
    """
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            return _read(archive, file, choose, reading, notes)
    except _SAFE as error:
        raise SimkitError(f"The archive is damaged: {error}.", file=file, remedy="Save it again.") from error


def _read(archive: zipfile.ZipFile, file: str, choose: Chooser, reading: Reading, notes: list[str]) -> Samples:
    sizes = {info.filename: info.file_size for info in archive.infolist()}
    if "metadata" not in sizes or len(sizes) > MOST_MEMBERS:
        raise SimkitError(
            "The zip holds no session: no member is called metadata.", file=file, remedy="Name a session archive (.sr)."
        )
    version = _member(archive, "version", 64, file).strip() if "version" in sizes else b"1"
    if version not in (b"1", b"2"):
        raise SimkitError(
            f"The archive is of version {shown(version.decode('latin-1'))}.",
            file=file,
            remedy="Versions 1 and 2 are read; export it as VCD.",
        )
    found = _metadata(_member(archive, "metadata", MOST_METADATA, file).decode("utf-8", "replace"), file)
    pieces = sorted(
        (int(number[1] or 0), name)
        for name in sizes
        if (number := re.fullmatch(re.escape(found.file) + r"(?:-([0-9]{1,9}))?", name)) is not None
    )
    if not pieces:
        raise SimkitError(
            f"The archive has no samples: no member is called {shown(found.file)}.", file=file, remedy="Save it again."
        )
    total = sum(sizes[name] for _, name in pieces)
    if total > MOST_SAMPLE_BYTES:
        raise SimkitError(
            f"The archive holds {total} bytes of samples; {MOST_SAMPLE_BYTES} can be read.",
            file=file,
            remedy="Take the capture in parts, or with fewer channels.",
        )
    rate = reading.rate or found.rate
    if rate is None and not reading.synchronous:
        raise SimkitError(
            "The archive does not say its sampling rate.",
            file=file,
            remedy='Say it in the channel file: [capture], rate = "1 MHz".',
        )
    names = [name for _, name in found.probes]
    chosen = list(choose(names))
    bits = [bit for bit, _ in found.probes]
    dense = list(range(len(bits))) if reading.dense else bits
    rows, count, moved = Rows(file), 0, 0
    first: int | None = None
    left = b""
    for _, name in pieces:
        with archive.open(name) as member:
            while piece := member.read(SAMPLES_AT_ONCE * found.unit):
                data = left + piece
                whole = len(data) - len(data) % found.unit
                left = data[whole:]
                words = _words(data[:whole], found.unit)
                if len(words):
                    first = int(words[0]) if first is None else first
                    moved |= int(np.bitwise_or.reduce(words ^ np.uint64(first)))
                    levels = _picked(words, [dense[at] for at in chosen])
                    time = np.arange(count, count + len(words), dtype=np.int64)
                    rows.add(time, levels, np.zeros(len(words), np.uint64))
                    count += len(words)
    if not reading.dense:
        _tell_gaps(found, moved, notes)
    tick = 1 / rate if rate is not None else Fraction(1)
    return rows.samples(tuple(names[at] for at in chosen), tick, Fraction(1), count, complete=True)


def _tell_gaps(found: _Metadata, moved: int, notes: list[str]) -> None:
    """Note the trap: listed bits that stand still above unlisted ones that move."""
    bits = [bit for bit, _ in found.probes]
    unlisted = [bit for bit in range(max(bits)) if bit not in bits and moved >> bit & 1]
    still = [name for bit, name in found.probes if not moved >> bit & 1 and unlisted and bit > unlisted[0]]
    if still:
        notes.append(
            f"{', '.join(still)} never moved, but bit {unlisted[0]} of the samples did, which belongs to no channel: "
            "it may be that the channels were packed together when they were saved. Write dense = true under [capture] "
            "in the channel file to read them so; enable channels without gaps, from the first one on, to avoid it."
        )


def _member(archive: zipfile.ZipFile, name: str, most: int, file: str) -> bytes:
    with archive.open(name) as member:
        content = member.read(most + 1)
    if len(content) > most:
        raise SimkitError(
            f"The member {name} of the archive has more than {most} bytes.", file=file, remedy="Save it again."
        )
    return content


def _metadata(text: str, file: str) -> _Metadata:
    """The first device's keys; white space round = and any line end are taken, # begins a comment."""
    keys: dict[str, str] = {}
    device = False
    for line in re.split(r"\r\n|\r|\n", text):
        line = line.strip()
        if line.startswith("["):
            if device and keys.get("capturefile"):
                break
            device = line.startswith("[device")
        elif device and "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            keys[key.strip()] = value.strip()
    probes = sorted(
        (int(number[1]) - 1, value)
        for key, value in keys.items()
        if (number := re.fullmatch(r"probe([1-9][0-9]{0,3})", key)) is not None
    )
    if not probes or not keys.get("capturefile"):
        raise SimkitError(
            "The archive has no digital channels.", file=file, remedy="Capture digital ones; analog ones are not read."
        )
    top = max(probes[-1][0] + 1, _number(keys.get("total probes", "")))
    unit = _number(keys.get("unitsize", "")) or (top + 7) // 8
    if not 1 <= unit <= MOST_PROBES // 8 or probes[-1][0] >= MOST_PROBES:
        raise SimkitError(
            f"The archive has samples of {unit} bytes.", file=file, remedy=f"{MOST_PROBES // 8} bytes are read."
        )
    rate = rate_said(keys.get("samplerate", ""))
    if len({name for _, name in probes}) < len(probes):
        raise SimkitError("Two channels of the archive have the same name.", file=file, remedy="Rename one.")
    return _Metadata(keys["capturefile"], rate, unit, tuple(probes))


def _number(text: str) -> int:
    return int(text) if re.fullmatch(r"[0-9]{1,4}", text) else 0


def _words(data: bytes, unit: int) -> NDArray[np.uint64]:
    """Samples as words, the first 64 bits of each."""
    if unit in (1, 2, 4, 8):
        return np.frombuffer(data, f"<u{unit}").astype(np.uint64)
    wide = np.zeros((len(data) // unit, 8), np.uint8)
    used = min(unit, 8)
    wide[:, :used] = np.frombuffer(data, np.uint8).reshape(-1, unit)[:, :used]
    return wide.view("<u8").reshape(-1).astype(np.uint64)


def _picked(words: NDArray[np.uint64], bits: list[int]) -> NDArray[np.uint64]:
    """These bits side by side; a bit that the samples do not have is 0."""
    if bits == list(range(len(bits))):
        return words & np.uint64((1 << len(bits)) - 1)
    levels = np.zeros(len(words), np.uint64)
    for place, bit in enumerate(bits):
        if bit < 64:
            levels |= (words >> np.uint64(bit) & np.uint64(1)) << np.uint64(place)
    return levels
