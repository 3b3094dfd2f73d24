"""Captures written as analysers and their programs write them, each in a form that `simkit.capture` reads.

As of a real one, what a form has no room for is lost: without time stamps missing samples close up, and change rows do
not say at which rate samples were taken.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.rehearse import only_changes
from simkit.capture.samples import Samples
from simkit.contract.errors import SimkitError, near
from simkit.files.formats import Format
from simkit.files.whole import Written, write_whole

MAKER = "rehearsed by simkit"
"""Stands in forms that have room for it; only such a file is written over without being told to."""
REHEARSED = Format("a capture rehearsed by simkit", lambda content: MAKER.encode() in content[:200])
PIECE_SAMPLES = 1 << 20
"""Samples of a piece of a session archive."""
_PS = 10**12
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""The same capture gives the same file; 1980 is where dates of the format begin."""
_UNITS = (("us", 10**6), ("ns", 10**3), ("ps", 1))
_TIMESCALES = tuple((number * unit, f"{number} {name}") for name, unit in _UNITS for number in (100, 10, 1))
_ONE, _X = np.uint64(1), np.uint8(ord("X"))


@attrs.frozen
class Form:
    """A form of captures.

    Attributes:
        name: what it is called where one is chosen.
        about: in words.
        ending: of its files.
        make: the content.
        known: by what a file of this form that the kit has written is known again.
    """

    name: str
    about: str
    ending: str
    make: Callable[[Samples], bytes]
    known: Format | None = None


def write_capture(path: Path, samples: Samples, form: str, *, force: bool = False) -> Written:
    """Write a capture.

    Args:
        path: of the file.
        samples: what it holds.
        form: a name of FORMS.
        force: write over a file that is there.

    Raises:
        SimkitError: there is no such form, or a file is there.
    """
    if form not in FORMS:
        raise SimkitError(f"There is no form {form!r} of captures.", remedy=near(form, FORMS))
    return write_whole(path, FORMS[form].make(samples), what="capture", known=FORMS[form].known, force=force)


def as_vcd(samples: Samples) -> bytes:
    """Value change dump (IEEE 1364-2005, clause 18): times to a 400th of a tick or better, no blanks in names."""
    from vcd import VCDWriter

    text = io.StringIO()
    scale, word = _timescale(samples.tick)
    moved = only_changes(samples)
    times = _rounded(moved.time, samples.tick, scale)
    first = int(times[0]) if len(times) else 0
    with VCDWriter(text, timescale=word, date="", version=MAKER, init_timestamp=first) as writer:
        variables = [writer.register_var("capture", "_".join(name.split()), "wire", size=1) for name in samples.names]
        before = None
        rows = zip(times.tolist(), moved.levels.tolist(), moved.unknown.tolist(), strict=True)
        for time, level, unknown in rows:
            moves = ~0 if before is None else (level ^ before[0]) | (unknown ^ before[1])
            for bit, variable in enumerate(variables):
                if moves >> bit & 1:
                    writer.change(variable, time, "x" if unknown >> bit & 1 else level >> bit & 1)
            before = level, unknown
        writer.close(int(_rounded(np.array([samples.end]), samples.tick, scale)[0]))
    return text.getvalue().encode()


def as_rows(samples: Samples) -> bytes:
    """CSV without times: a row a sample, the rate in a comment at its head."""
    channels = ", ".join(samples.names)
    head = [f"; {MAKER}", f"; Channels ({len(samples.names)}/{len(samples.names)}): {channels}"]
    if samples.period is not None:
        head.append(f"; Samplerate: {_hertz(1 / (samples.period * samples.tick))}")
    return ("\n".join([*head, ",".join(map(_quoted, samples.names)), ""])).encode() + _table(samples)


def as_timed_rows(samples: Samples) -> bytes:
    """CSV with a column of seconds: a row a sample."""
    return _timed(samples, "Time [s]", _seconds(samples))


def as_change_rows(samples: Samples) -> bytes:
    """CSV with a column of seconds: a row a change."""
    return as_timed_rows(only_changes(samples))


def as_tick_rows(samples: Samples) -> bytes:
    """CSV with a column of ticks of the sampling clock: a row a change."""
    moved = only_changes(samples)
    return _timed(moved, "ticks", [str(time) for time in moved.time.tolist()])


def as_numbered(samples: Samples) -> bytes:
    """List of hex samples with their numbers: a row a change."""
    moved = only_changes(samples)
    digits = max(4, -(-len(samples.names) // 4))
    rate = round(1 / (samples.period * samples.tick)) if samples.period is not None else 0
    head = [f";Rate: {rate}", f";Channels: {len(samples.names)}", ";EnabledChannels: -1", ";Compressed: true"]
    rows = zip(moved.levels.tolist(), moved.time.tolist(), strict=True)
    return "\n".join([*head, *(f"{level:0{digits}X}@{time}" for level, time in rows), ""]).encode()


def as_archive(samples: Samples) -> bytes:
    """Zipped session archive, version 2: probe N is bit N - 1."""
    size = max(1, -(-len(samples.names) // 8))
    lines = ["[global]", "sigrok version=0.5.2", "", "[device 1]", "capturefile=logic-1"]
    lines += [f"total probes={len(samples.names)}"]
    if samples.period is not None:
        lines.append(f"samplerate={_hertz(1 / (samples.period * samples.tick))}")
    lines += ["total analog=0", *(f"probe{n}={name}" for n, name in enumerate(samples.names, 1)), f"unitsize={size}"]
    raw = samples.levels.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :size]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        _add(archive, "version", b"2")
        _add(archive, "metadata", "\n".join([*lines, ""]).encode())
        for n, start in enumerate(range(0, max(1, len(raw)), PIECE_SAMPLES), 1):
            _add(archive, f"logic-1-{n}", raw[start : start + PIECE_SAMPLES].tobytes())
    return out.getvalue()


def as_bus_lines(samples: Samples) -> bytes:
    """Plain lines as a bus monitor of one's own prints them: a line a cycle, or a sample where PHI2 is clipped."""
    columns, cells = _bus_columns(samples)
    sampled = "PHI2" in samples.names
    rate = (
        f" rate={_hertz(1 / (samples.period * samples.tick))}".replace(" M", "M")
        if sampled and samples.period is not None
        else ""
    )
    head = f"bus-lines 1 {'samples' if sampled else 'cycles'}{rate} {' '.join(columns)}"
    gaps = np.flatnonzero(np.diff(samples.time) > (samples.period or 1)) + 1
    rows = list(map(" ".join, zip(*cells, strict=True)))
    for at in gaps[::-1].tolist():
        rows.insert(at, "lost")
    return "\n".join([head, *rows, ""]).encode()


FORMS = {
    form.name: form
    for form in (
        Form("vcd", "value change dump", ".vcd", as_vcd, REHEARSED),
        Form("csv", "CSV, a row a sample, no times", ".csv", as_rows, REHEARSED),
        Form("csv-times", "CSV, a row a sample, with times", ".csv", as_timed_rows),
        Form("csv-changes", "CSV, a row a change, in seconds", ".csv", as_change_rows),
        Form("csv-ticks", "CSV, a row a change, in ticks", ".csv", as_tick_rows),
        Form("numbered", "hex samples with their numbers, a row a change", ".txt", as_numbered),
        Form("sr", "zipped session archive", ".sr", as_archive),
        Form("lines", "bus lines, as a bus monitor of one's own prints them", ".txt", as_bus_lines),
    )
}
"""By name."""


def _add(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    archive.writestr(zipfile.ZipInfo(name, _ZIP_DATE), content, zipfile.ZIP_DEFLATED)


def _timescale(tick: Fraction) -> tuple[int, str]:
    """Unit of a dump in picoseconds, and in words: the longest of those that hit each tick, or hit it well."""
    ps = tick * _PS
    for scale, word in _TIMESCALES:
        if ps % scale == 0 or ps >= 400 * scale:
            return scale, word
    return 1, "1 ps"


def _rounded(time: NDArray[np.int64], tick: Fraction, scale: int) -> NDArray[np.int64]:
    """Times in ticks as times in `scale` picoseconds."""
    unit = tick * _PS / scale
    top, bottom = unit.numerator, unit.denominator
    if len(time) and int(np.abs(time).max()) * top > 1 << 62:
        return np.array([round(int(each) * unit) for each in time], np.int64)
    return (time * top * 2 + bottom) // (2 * bottom)


def _seconds(samples: Samples) -> list[str]:
    ps = _rounded(samples.time, samples.tick, 1).tolist()
    return [f"{'-' if each < 0 else ''}{abs(each) // _PS}.{abs(each) % _PS:012d}" for each in ps]


def _hertz(rate: Fraction) -> str:
    for unit, name in ((10**6, "MHz"), (10**3, "kHz")):
        if rate >= unit:
            return f"{float(rate / unit):.10g} {name}"
    return f"{float(rate):.10g} Hz"


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"' if any(c in name for c in ',";') else name


def _cells(samples: Samples) -> NDArray[np.uint8]:
    """0, 1 and X for each row and channel, as characters."""
    bits = np.arange(len(samples.names), dtype=np.uint64)
    cells = (samples.levels[:, None] >> bits & _ONE).astype(np.uint8) + np.uint8(ord("0"))
    cells[(samples.unknown[:, None] >> bits & _ONE) != 0] = _X
    return cells


def _table(samples: Samples) -> bytes:
    """Rows of 0, 1 and X."""
    cells = _cells(samples)
    rows = np.full((len(cells), 2 * len(samples.names)), ord(","), np.uint8)
    rows[:, ::2] = cells
    rows[:, -1] = ord("\n")
    return rows.tobytes()


def _timed(samples: Samples, title: str, times: list[str]) -> bytes:
    rows = _table(samples).decode().splitlines()
    head = ",".join([title, *map(_quoted, samples.names)])
    return "\n".join([head, *map(",".join, zip(times, rows, strict=True)), ""]).encode()


def _bus_columns(samples: Samples) -> tuple[list[str], list[list[str]]]:
    """Columns of bus lines with their words: address and data in hex where all their lines are there."""
    columns: list[str] = []
    cells: list[list[str]] = []
    left = list(samples.names)
    digits = _cells(samples)
    for name, lines in (("address", ADDRESS_LINES), ("data", DATA_LINES)):
        bits = [samples.names.index(line) for line in lines if line in samples.names]
        if len(bits) < len(lines) or samples.unknown.any():
            continue
        values = np.zeros(len(samples), np.uint64)
        for place, bit in enumerate(bits):
            values |= (samples.levels >> np.uint64(bit) & _ONE) << np.uint64(place)
        columns.append(name)
        cells.append([f"{value:0{len(lines) // 4}X}" for value in values.tolist()])
        left = [each for each in left if each not in lines]
    for name in left:
        columns.append(name)
        cells.append(list(digits[:, samples.names.index(name)].tobytes().decode().lower()))
    return columns, cells
