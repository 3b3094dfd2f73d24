"""Captures of a bus in each form that is read, and channel files: sound ones, and such with something odd."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from typing import Any

from fuzzing.rolls import Rolls

CHANNELS = "channels.toml"
NAMES = ("PHI2", "A0", "A1", "D0", "RW")


class Oddity:
    """Chooses what is sound, or now and then something else."""

    def __init__(self, rolls: Rolls) -> None:
        self._rolls, self._odd = rolls, rolls.chance(2)

    def __call__(self, sound: Any, *others: Any, one_in: int = 4) -> Any:
        """The first, or by chance one of the others."""
        return self._rolls.choice(others) if self._odd and self._rolls.chance(one_in) else sound


def channels(rolls: Rolls, *, numbered: bool) -> dict[str, Any]:
    """A channel file, as a tree."""
    odd = Oddity(rolls)
    tree: dict[str, Any] = {"channels": {str(at) if numbered else name: name for at, name in enumerate(NAMES)}}
    tree["channels"] |= odd({}, {"0..4": "D1..D5"})
    options = {"rate": "8 MHz", "time": "us", "synchronous": True, "dense": True, "stretched": True, "glitch": "9 ns"}
    tree["capture"] = {key: value for key, value in options.items() if rolls.chance(4)}
    return tree


def value(rolls: Rolls, key: str, old: Any) -> Any:
    """Another value in a channel file: lines, rates, units, edges."""
    known = ("PHI2", "not IRQ", "A0..A3", "D7..D0", "4.INT", "not ", "0..300", "CH3 falling", "8 MHz", "us", "20 ns")
    header = "bus-lines 1 cycles address data"
    return rolls.choice((*known, "1..1", header, True, rolls.word(), rolls.number()))


def _levels(rolls: Rolls, odd: Oddity) -> list[int]:
    """Samples of five channels, PHI2 first."""
    count = odd(rolls.choice((60, 400)), 1, 2, 9)
    return [rolls.getrandbits(4) << 1 | (at // 4 & 1) for at in range(count)]


def _text(lines: list[str], end: str = "\n") -> bytes:
    return (end.join(lines) + end).encode("utf-8", "replace")


def vcd(rolls: Rolls) -> bytes:
    """A dump."""
    odd = Oddity(rolls)
    codes = rolls.choice(('!"#$%', "abcde", "01bx#"))
    head = [f"$timescale {odd('1 ns', '100ps', '1us', '7 s', '1')} $end"]
    head += [f"$var wire {odd(1, 8, 0, 70)} {c} {n} $end" for c, n in zip(codes, NAMES, strict=True)]
    head += [f"$comment at {odd('8 MHz', '0 Hz', '9 kHz')} $end"] if rolls.chance(3) else []
    words = []
    for at, level in enumerate(_levels(rolls, odd)):
        words.append(f"#{odd(at * 125, rolls.number(), at, one_in=60)}")
        words += [f"{odd(level >> bit & 1, 'x', 'z', one_in=50)}{code}" for bit, code in enumerate(codes)]
        more = odd("", "$dumpoff", "$end", "$comment", "b1010 !", "b !", "r1e9 !", "b1", rolls.word(), one_in=40)
        words += [more] if more else []
    return _text([*head, "$enddefinitions $end", rolls.choice((" ", "\n")).join(words)])


def table(rolls: Rolls) -> bytes:
    """A table (CSV)."""
    odd = Oddity(rolls)
    separator = rolls.choice((",", ",", ";", "\t"))
    times = rolls.choice(("", "Time [s]", odd("microseconds", "Time"), odd("Time(us)", "ticks"), "Time(ms)"))
    lines = ["; Samplerate: 8 MHz"] if not times or rolls.chance(2) else []
    lines.append(separator.join([*([times] if times else []), *NAMES]))
    time = 0
    for level in _levels(rolls, odd):
        time += odd(1, 5, 0, one_in=90)
        cells = [str(odd(level >> bit & 1, "X", "2", one_in=99)) for bit in range(5)]
        shown = odd(str(time), f"{time}.5", f"{time}e-6", f"-{time}", one_in=60)
        lines.append(separator.join([*([shown] if times else []), *cells]))
        lines += odd([], [""], ["; x"], ["1,2"], ["0.5" * 30], [rolls.word()], [separator * 9], one_in=200)
    return _text(lines, odd(rolls.choice(("\n", "\r\n")), "\r"))


def archive(rolls: Rolls) -> bytes:
    """A session archive."""
    odd = Oddity(rolls)
    content = io.BytesIO()
    unit = odd(rolls.choice((1, 2, 3)), 0, 9)
    metadata = f"[device 1]\ncapturefile=logic-1\ntotal probes={odd(5, 16, 600)}\nunitsize={unit}\n"
    metadata += f"samplerate={odd('8 MHz', '1 GHz', '0 Hz', 'fast', '5')}\n"
    metadata += "".join(f"probe{odd(at, 9, one_in=9)}={name}\n" for at, name in enumerate(NAMES, 1))
    samples = b"".join(level.to_bytes(max(1, unit), "little") for level in _levels(rolls, odd))
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as zipped:
        zipped.writestr("version", odd("2", "1", "3", ""))
        zipped.writestr("metadata", odd(metadata, rolls.word() * 9, one_in=9))
        zipped.writestr(rolls.choice(("logic-1-1", "logic-1", "logic-1-77")), samples)
        if rolls.chance(99):
            zipped.writestr("logic-1-2", bytes(rolls.choice((3_000_000, 900_000))))
    return content.getvalue()


def numbered(rolls: Rolls) -> bytes:
    """A list in hex."""
    odd = Oddity(rolls)
    lines = [f";Rate: {odd('8000000', '0', 'x')}", f";Channels: {odd(5, 64, 999)}"]
    lines += [f"{level:0{rolls.choice((2, 4))}X}@{at}" for at, level in enumerate(_levels(rolls, odd))]
    more = odd("", "1@", "@3", "zz@9", "1@0", rolls.word(), "1@" + "9" * 30)
    lines.insert(rolls.randrange(2, len(lines) + 1), more)
    return _text(lines)


def bus_lines(rolls: Rolls) -> bytes:
    """Bus lines."""
    odd = Oddity(rolls)
    kind = odd(rolls.choice(("cycles", "samples rate=8MHz")), "sample", "cycles rate=0Hz")
    columns = rolls.some(["address", "data", "RW", "4.INT", "time:us", "count", "-", "X0..X3"], 6)
    columns = ["PHI2", "A1", *columns, *odd([], [rolls.word()], ["data", "D0"])]
    lines = [f"bus-lines {odd(1, 2)} {kind} {' '.join(columns)}"]
    for at, level in enumerate(_levels(rolls, odd)):
        cells = {"time:us": str(at), "count": str(at % 256), "address": f"{level:04X}", "RW": rolls.choice("RW01")}
        lines.append(" ".join(cells.get(column, str(level & 1)) for column in columns))
        lines += odd([], ["lost"], ["# x"], ["1 2"], [lines[0]], [rolls.word()], ["F" * 300], one_in=60)
    return _text(lines, rolls.choice(("\n", "\r\n")))


FORMS: dict[str, Callable[[Rolls], bytes]] = {
    "vcd": vcd,
    "table": table,
    "archive": archive,
    "numbered": numbered,
    "bus lines": bus_lines,
}
