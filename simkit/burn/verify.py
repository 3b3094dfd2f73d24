"""Compares what a programmer read back with what was burnt, and names the pattern of a difference.

Each pattern is a way a part, a socket or a programmer goes wrong (common practice); it is named only when it explains
every byte of the dump.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations
from types import MappingProxyType
from typing import Any

import attrs

SHOWN = 8
"""Differences listed one by one."""

MAX_DEAD = 6
"""Address lines without effect that are told apart; a part with more of them is as good as not connected."""

FEW_BITS = 8
"""Wrong bits up to which single cells are likelier than a part that was not erased or not programmed."""

MAX_SHIFT = 512
"""Farthest shift looked for, in bytes: file headers and off-by-one offsets are smaller."""


@attrs.frozen
class Pattern:
    """A named difference.

    Attributes:
        name: short.
        what: one sentence.
        cause: the likely cause and what to do.
    """

    name: str
    what: str
    cause: str


@attrs.frozen
class Comparison:
    """Burnt content against the dump.

    Attributes:
        differences: number of bytes that differ, missing ones included.
        first: (offset, expected, found) of the first ones.
        patterns: what explains the whole difference, best first; empty when nothing simple does.
    """

    differences: int
    first: tuple[tuple[int, int, int], ...]
    patterns: tuple[Pattern, ...]

    def as_dict(self) -> dict[str, Any]:
        """Fields for --json."""
        return attrs.asdict(self)


def compare(expected: bytes, dump: bytes, others: Mapping[int, bytes] = MappingProxyType({})) -> Comparison:
    """Compare a dump with what it should be; `others` is the content of the other parts of a split, by number."""
    if expected == dump:
        return Comparison(0, (), ())
    paired = min(len(expected), len(dump))
    wrong = [n for n in range(paired) if expected[n] != dump[n]]
    # Of a file of another size no byte is shown: it may be no dump at all.
    first = tuple((n, expected[n], dump[n]) for n in wrong[:SHOWN]) if len(expected) == len(dump) else ()
    return Comparison(len(wrong) + abs(len(expected) - len(dump)), first, tuple(_patterns(expected, dump, others)))


def _patterns(expected: bytes, dump: bytes, others: Mapping[int, bytes]) -> Iterator[Pattern]:
    for number, content in others.items():
        if dump == content:
            yield Pattern(
                "another-part",
                f"This is part {number}.",
                "The parts, their labels or the files were exchanged. Read the other one, and look at the labels.",
            )
            return
    if len(dump) != len(expected):
        yield _size(expected, dump)
        return
    for look in (_blank, _stuck_data, _address, _swapped_data, _shifted, _inverted, _bits_missing):
        found = list(look(expected, dump))
        if found:
            yield from found
            return


def _size(expected: bytes, dump: bytes) -> Pattern:
    start = expected.startswith(dump) or dump.startswith(expected)
    what = f"The dump has {len(dump)} bytes, the part {len(expected)}"
    if start:
        what += "; as far as both go they are equal"
    elif dump and expected[-len(dump) :] == dump:
        what += "; it equals the end of the image"
    return Pattern("size", what + ".", "Another part is chosen in the programmer's software. Choose it and read again.")


def _blank(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    value = dump[0]
    if value in (0x00, 0xFF) and dump.count(value) == len(dump):
        cause = {
            0xFF: "The part was not programmed: write-protected, no programming voltage, or not seated in the socket.",
            0x00: "The part does not answer, or its data pins are shorted: wrong part chosen, no supply, upside down.",
        }[value]
        yield Pattern("blank", f"Every byte of the dump is ${value:02X}.", cause)


def _stuck_data(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    ones, zeros = 0, 0xFF
    for byte in dump:
        ones |= byte
        zeros &= byte
    low, high = ~ones & 0xFF, zeros
    if (low or high) and all(e & ~low | high == d for e, d in zip(expected, dump, strict=True)):
        for mask, level in ((low, 0), (high, 1)):
            if mask:
                lines = ", ".join(f"D{bit}" for bit in range(8) if mask >> bit & 1)
                yield Pattern(
                    "data-bits-stuck",
                    f"{lines} {'reads' if mask.bit_count() == 1 else 'read'} {level} in every byte.",
                    "A bent pin, a bad contact of the programmer's socket, or a blown output. Clean, seat, read again.",
                )


def _address(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    lines = len(expected).bit_length() - 1
    if len(expected) != 1 << lines:
        return
    numbers = range(len(expected))
    for line in range(lines):
        bit = 1 << line
        for level in (0, 1):
            if _mapped(expected, dump, (n | bit if level else n & ~bit for n in numbers)):
                if line == lines - 1:
                    yield Pattern(
                        "halves-equal",
                        f"Both halves of the dump hold the {'upper' if level else 'lower'} half of the image: "
                        f"A{line} reads {level}.",
                        f"A smaller part is chosen, or pin A{line} has no contact; check the jumper that ties it.",
                    )
                else:
                    yield Pattern(
                        "address-line-stuck",
                        f"A{line} is stuck at {level}: blocks of {bit} bytes stand twice.",
                        f"A bent or dirty pin A{line}, or a broken track to it.",
                    )
                return
    yield from _several_stuck(expected, dump, lines)
    for one, other in combinations(range(lines), 2):
        if _mapped(expected, dump, (_exchanged(n, one, other) for n in numbers)):
            yield Pattern(
                "address-lines-swapped",
                f"A{one} and A{other} are exchanged.",
                "An adapter wired for another pin-out. Right if the board has the same exchange: say so in `wires`.",
            )
            return
    for line in range(lines):
        if _mapped(expected, dump, (n ^ 1 << line for n in numbers)):
            yield Pattern(
                "blocks-exchanged",
                f"Blocks of {1 << line} bytes are exchanged: A{line} is inverted.",
                "Halves put together in the wrong order, or an inverter in the decoder.",
            )
            return


def _several_stuck(expected: bytes, dump: bytes, lines: int) -> Iterator[Pattern]:
    """Several address lines without effect: those whose change changes nothing in the dump."""
    numbers = range(len(dump))
    dead = [line for line in range(lines) if _mapped(dump, dump, (n ^ 1 << line for n in numbers))]
    alive = len(dump) - 1
    for line in dead:
        alive &= ~(1 << line)
    if not 2 <= len(dead) <= MAX_DEAD:
        return
    for levels in range(1 << len(dead)):
        held = sum(1 << line for number, line in enumerate(dead) if levels >> number & 1)
        if _mapped(expected, dump, (n & alive | held for n in numbers)):
            told = ", ".join(f"A{line} at {levels >> number & 1}" for number, line in enumerate(dead))
            yield Pattern(
                "address-lines-stuck",
                f"Several address lines are stuck: {told}.",
                "A much smaller part is chosen or fitted, or the part does not sit in its socket; seat it, read again.",
            )
            return


def _mapped(expected: bytes, dump: bytes, sources: Iterable[int]) -> bool:
    """Whether each byte of the dump is that of `expected` at its source."""
    return all(byte == expected[source] for byte, source in zip(dump, sources, strict=True))


def _exchanged(number: int, one: int, other: int) -> int:
    if (number >> one ^ number >> other) & 1:
        return number ^ (1 << one | 1 << other)
    return number


def _swapped_data(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    for one, other in combinations(range(8), 2):
        table = bytes(_exchanged(byte, one, other) for byte in range(256))
        if expected.translate(table) == dump:
            yield Pattern(
                "data-lines-swapped",
                f"D{one} and D{other} are exchanged.",
                "An adapter wired for another pin-out. Right if the board has the same exchange: say so in `wires`.",
            )
            return
    table = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
    if expected.translate(table) == dump:
        yield Pattern("data-lines-reversed", "D0 to D7 are in reverse order.", "An adapter, or a ribbon cable turned.")


def _shifted(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    size = len(expected)
    for distance in range(1, min(MAX_SHIFT, size // 2) + 1):
        for step in (distance, -distance):
            inner = dump[step:] == expected[:-step] if step > 0 else dump[:step] == expected[-step:]
            if inner and len(set(expected)) > 1:
                way = "later" if step > 0 else "earlier"
                yield Pattern(
                    "shifted",
                    f"The content stands {distance} byte{'s' if distance > 1 else ''} {way} than it should.",
                    "A header was burnt along (take the raw binary), or a start offset is set in the programmer.",
                )
                return
    filled = expected.strip(b"\xff")
    if 16 <= len(filled) < size and filled in dump:
        at = dump.index(filled) - expected.index(filled)
        if at:
            yield Pattern(
                "shifted",
                f"The content stands ${abs(at):04X} bytes {'later' if at > 0 else 'earlier'} than it should.",
                "The image was loaded at another offset of the part: the vectors are not where the CPU looks.",
            )


def _inverted(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    if all(e ^ d == 0xFF for e, d in zip(expected, dump, strict=True)):
        yield Pattern("inverted", "Every bit is inverted.", "An inverting buffer between part and reader.")


def _bits_missing(expected: bytes, dump: bytes) -> Iterator[Pattern]:
    pairs = list(zip(expected, dump, strict=True))
    wrong = sum((e ^ d).bit_count() for e, d in pairs)
    if wrong <= FEW_BITS:
        yield Pattern(
            "few-bits",
            f"Only {wrong} bit{'' if wrong == 1 else 's'} of the whole part differ{'s' if wrong == 1 else ''}.",
            "Read again: if other bits are wrong then, it is a contact or the supply; if the same, the cells are weak: "
            "erase longer (0 for 1) or program again (1 for 0), and do not trust a part that does it twice.",
        )
    elif all(d & ~e == 0 for e, d in pairs):
        yield Pattern(
            "not-erased",
            "Bits are 0 that should be 1, none the other way round: programming only clears bits.",
            "The part was not erased before. Erase it (EPROM: under ultraviolet light) and program again.",
        )
    elif all(e & ~d == 0 for e, d in pairs):
        yield Pattern(
            "not-programmed",
            "Bits are 1 that should be 0, none the other way round.",
            "Programming did not take everywhere: write protection, a worn part, or too short pulses. Program again.",
        )
