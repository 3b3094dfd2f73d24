"""How fast captures are read: the same bus, sampled at eight samples a cycle, in each format that is read.

What is measured is the way from the bytes of a file to bus cycles. The files are made before the clock starts; times
in them have a fixed number of digits, which no reader knows.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from io import BytesIO
from time import perf_counter

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.archive import read_archive
from simkit.capture.channels import Assignment, Reading
from simkit.capture.cycles import bus_cycles
from simkit.capture.read import Picker, reader_for
from simkit.contract.errors import SimkitError

LINES = ("PHI2", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(6)), "RW")
"""Twenty-four, as the probes of an analyser for builders."""
SAMPLES_A_CYCLE = 8
HZ = 8_000_000
SAMPLES = 1_000_000
PIECE = 2 << 20
CODES = bytes(range(33, 33 + len(LINES)))
DIGITS = 12

Levels = NDArray[np.uint64]


@attrs.frozen(kw_only=True)
class ReadingSpeed:
    """What came out for one format.

    Attributes:
        name: of it.
        samples: that the analyser took; of bus lines, bus cycles.
        changes: of single channels in them.
        size: bytes of the file.
        seconds: from its bytes to bus cycles.
        cycles: found.
    """

    name: str
    samples: int
    changes: int
    size: int
    seconds: float
    cycles: int


def measure_captures(
    report: Callable[[str], None] = lambda name: None, samples: int | None = None
) -> list[ReadingSpeed]:
    """Measure each format with so many samples, SAMPLES if not said; gives a row each.

    Raises:
        SimkitError: a reader has lost cycles.
    """
    rows, samples = [], samples or SAMPLES
    for name, (make, busy) in FORMATS.items():
        report(name)
        levels = a_bus(samples, busy=busy)
        if name == "bus lines":
            levels = levels[SAMPLES_A_CYCLE - 1 :: SAMPLES_A_CYCLE]
        data = make(levels)
        begun = perf_counter()
        cycles = _read(data, name)
        seconds = perf_counter() - begun
        changes = int(np.bitwise_count(levels[1:] ^ levels[:-1]).sum())
        rows.append(
            ReadingSpeed(
                name=name, samples=len(levels), changes=changes, size=len(data), seconds=seconds, cycles=cycles
            )
        )
        if cycles < samples // SAMPLES_A_CYCLE - 2:
            raise SimkitError(f"Of {samples // SAMPLES_A_CYCLE} cycles in {name} only {cycles} were found.")
    return rows


def _read(data: bytes, name: str) -> int:
    """Read a capture; gives the number of cycles in it."""
    numbered = (
        tuple(Assignment(str(bit), line) for bit, line in enumerate(LINES)) if data.startswith(b";Rate") else None
    )
    reading, notes = Reading(assigned=numbered), list[str]()
    picker = Picker(reading, name)
    if data.startswith(b"PK"):
        samples = read_archive(data, name, picker, reading, notes)
    else:
        reader = reader_for(data, name, picker, reading, notes)
        for at in range(0, len(data), PIECE):
            reader.feed(data[at : at + PIECE])
        samples = reader.finish()
    return len(bus_cycles(samples, picker.assigned, reading, file=name, notes=notes))


def a_bus(samples: int, *, busy: bool) -> Levels:
    """Samples of a bus on which a program runs straight on; busy: on which eight lines more move in each sample."""
    at = np.arange(samples)
    cycle, place = at // SAMPLES_A_CYCLE, at % SAMPLES_A_CYCLE
    rng = np.random.default_rng(1)
    address = (0x8000 + np.cumsum(rng.choice([1, 1, 1, 1, -5, 40], samples // SAMPLES_A_CYCLE + 2))) & 0xFFFF
    data = rng.integers(0, 64, samples // SAMPLES_A_CYCLE + 2)
    writes = rng.random(samples // SAMPLES_A_CYCLE + 2) < 0.15
    now = np.where(place < 1, cycle, cycle + 1)
    levels = (place >= SAMPLES_A_CYCLE // 2).astype(np.uint64)
    levels |= address[now].astype(np.uint64) << np.uint64(1)
    levels |= data[np.where(place < 5, cycle, cycle + 1)].astype(np.uint64) << np.uint64(17)
    levels |= (~writes[now]).astype(np.uint64) << np.uint64(23)
    if busy:
        levels ^= np.where(at % 2 == 0, np.uint64(0xFF00), np.uint64(0))
    return levels


def as_vcd(levels: Levels) -> bytes:
    """A dump with a line a time and a line a change."""
    head = "".join(f"$var wire 1 {chr(code)} {name} $end\n" for code, name in zip(CODES, LINES, strict=True))
    out = [f"$comment Acquisition at 8 MHz $end $timescale 1 ns $end\n{head}$enddefinitions $end\n".encode()]
    for begin in range(0, len(levels), 1 << 16):
        some = levels[begin : begin + (1 << 16)]
        before = np.concatenate((levels[begin - 1 : begin] if begin else ~some[:1], some[:-1]))
        moved, bits = some ^ before, _bits(some)
        text = np.empty((len(some), DIGITS + 2 + 3 * len(LINES)), np.uint8)
        kept = np.empty(text.shape, np.bool_)
        text[:, 0], text[:, DIGITS + 1] = ord("#"), 10
        text[:, 1 : DIGITS + 1] = _digits((begin + np.arange(len(some))) * 125)
        kept[:, : DIGITS + 2] = (moved != 0)[:, None]
        for place, code in enumerate(CODES):
            at = DIGITS + 2 + 3 * place
            text[:, at], text[:, at + 1], text[:, at + 2] = bits[:, place] + 48, code, 10
            kept[:, at : at + 3] = (moved >> np.uint64(place) & np.uint64(1) != 0)[:, None]
        out.append(text[kept].tobytes())
    return b"".join(out) + f"#{len(levels) * 125}\n".encode()


def as_rows(levels: Levels) -> bytes:
    """A table with a row a sample and no times, as a session tool exports it."""
    head = f"; Samplerate: 8 MHz\n{','.join(LINES)}\n".encode()
    return head + _table(_bits(levels) + np.uint8(48), ord(","))


def as_changes(levels: Levels) -> bytes:
    """A table with a row a change, its time before it."""
    moved = np.flatnonzero(np.concatenate(([True], levels[1:] != levels[:-1])))
    text = np.empty((len(moved), DIGITS + 2 + 2 * len(LINES)), np.uint8)
    digits = _digits(moved * 125)
    text[:, : DIGITS - 9], text[:, DIGITS - 9], text[:, DIGITS - 8 : DIGITS + 1] = digits[:, :-9], 46, digits[:, -9:]
    text[:, DIGITS + 1 :: 2], text[:, DIGITS + 2 :: 2] = 44, 48
    text[:, DIGITS + 2 : -1 : 2] += _bits(levels[moved])
    text[:, -1] = 10
    return f"Time [s],{','.join(LINES)}\n".encode() + text.tobytes()


def as_archive(levels: Levels) -> bytes:
    """A session archive, compressed."""
    probes = "".join(f"probe{number}={name}\n" for number, name in enumerate(LINES, 1))
    metadata = f"[device 1]\ncapturefile=logic-1\ntotal probes={len(LINES)}\nsamplerate=8 MHz\n{probes}unitsize=3\n"
    content = BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", metadata)
        for number, begin in enumerate(range(0, len(levels), 1 << 20), 1):
            wide = levels[begin : begin + (1 << 20)].astype("<u8").view(np.uint8).reshape(-1, 8)
            archive.writestr(f"logic-1-{number}", wide[:, :3].tobytes())
    return content.getvalue()


def as_list(levels: Levels) -> bytes:
    """A list of samples in hex, each with its number."""
    text = np.empty((len(levels), 6 + 1 + DIGITS + 1), np.uint8)
    text[:, :6] = _hex(levels, 6)
    text[:, 6], text[:, 7:-1], text[:, -1] = 64, _digits(np.arange(len(levels))), 10
    names = ";Rate: 8000000\n;Channels: 24\n"
    return names.encode() + text.tobytes()


def as_bus_lines(levels: Levels) -> bytes:
    """Bus lines, a bus cycle a line."""
    text = np.full((len(levels), 10), 32, np.uint8)
    text[:, :4], text[:, 5:7] = _hex(levels >> np.uint64(1), 4), _hex(levels >> np.uint64(17) & np.uint64(0x3F), 2)
    text[:, 8], text[:, 9] = (levels >> np.uint64(23) & np.uint64(1)).astype(np.uint8) + 48, 10
    return b"bus-lines 1 cycles rate=1MHz address data RW\n" + text.tobytes()


def _bits(levels: Levels) -> NDArray[np.uint8]:
    places = np.arange(len(LINES), dtype=np.uint64)
    return np.asarray((levels[:, None] >> places & np.uint64(1)).astype(np.uint8))


def _digits(numbers: NDArray[np.int64]) -> NDArray[np.uint8]:
    return np.asarray((numbers[:, None] // 10 ** np.arange(DIGITS - 1, -1, -1) % 10 + 48).astype(np.uint8))


def _hex(numbers: Levels, digits: int) -> NDArray[np.uint8]:
    shifts = np.arange(4 * (digits - 1), -1, -4).astype(np.uint64)
    letters = np.frombuffer(b"0123456789abcdef", np.uint8)
    return letters[(numbers[:, None] >> shifts & np.uint64(15)).astype(np.int64)]


def _table(cells: NDArray[np.uint8], separator: int) -> bytes:
    text = np.full((len(cells), 2 * cells.shape[1]), separator, np.uint8)
    text[:, ::2], text[:, -1] = cells, 10
    return text.tobytes()


FORMATS: dict[str, tuple[Callable[[Levels], bytes], bool]] = {
    "VCD": (as_vcd, False),
    "VCD, 8 lines busy": (as_vcd, True),
    "CSV, samples": (as_rows, False),
    "CSV, changes": (as_changes, False),
    "session archive": (as_archive, False),
    "list in hex": (as_list, False),
    "bus lines": (as_bus_lines, False),
}
"""By name: what makes it of samples, and whether eight lines move in each."""
