"""Chance, and the values that programs stumble over."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")

NUMBERS = (0, 1, -1, 2, 3, 7, 8, 9, 15, 16, 31, 32, 63, 64, 127, 128, 255, 256, 257, 1000, 4095, 4096, 32767, 32768)
NUMBERS += (65535, 65536, 65537, 10**6, 2**31 - 1, 2**31, 2**32, 2**48, 2**53 + 1, 2**63 - 1, 2**63, 2**64, 10**30)
NUMBERS += (-2, -128, -32768, -(2**31), -(2**63))
FLOATS = (0.0, -0.0, 0.1, -1.5, 1e-300, 1e300, float("inf"), float("-inf"), float("nan"), 2.0, 1e16)
WORDS = ("", " ", "\t", "a", "A0", "None", "true", "0", "-1", "0x10", "$8000", "1e9", "%s%n", "{0}", "{x!r}", "'", '"')
WORDS += ("\\", "\\n", "a b", "a,b", "a=b", "..", ".", "/", "~", "~root", "$HOME", "*", "?", "-", "--", "-x", "#", ";")
WORDS += ("caf\u00e9", "\u6c34", "\u2026", "e\u0301", "\U0001f40c", "\u00df", "\u0130", "\uff11", "\u0661")
NASTY = (
    "\0",
    "\x1b[31m",
    "\x07",
    "\r",
    "\n",
    "\x7f",
    "\x9b",
    "\u202e",
    "\u2066",
    "\u200f",
    "\u2028",
    "\ufeff",
    "\ufffe",
)
"""Marks that control a terminal or turn the direction of writing."""
LONG = (70, 300, 2100, 5000)


class Rolls(random.Random):
    """Chance of one unit."""

    def chance(self, one_in: int) -> bool:
        """True once in so many times."""
        return self.randrange(one_in) == 0

    def some(self, values: Sequence[T], most: int | None = None) -> list[T]:
        """A few of the values, in any order."""
        return self.sample(values, self.randint(0, min(len(values), most if most is not None else len(values))))

    def number(self) -> int:
        """A whole number, often one at a limit."""
        roll = self.randrange(4)
        if roll == 0:
            return self.choice(NUMBERS)
        if roll == 1:
            return self.choice(NUMBERS) + self.randint(-2, 2)
        return self.randint(-3, 20) if roll == 2 else self.getrandbits(self.choice((4, 8, 16, 24)))

    def word(self) -> str:
        """A short text, sometimes with marks in it, rarely a long one."""
        roll = self.randrange(12)
        if roll < 6:
            return self.choice(WORDS)
        if roll < 8:
            return self.choice(WORDS) + self.choice(NASTY) + self.choice(WORDS)
        if roll == 8:
            return self.choice(WORDS + NASTY)[:1] * self.choice(LONG)
        return "".join(self.choice("abcxyzABC0123456789_-. ") for _ in range(self.randint(1, 12)))

    def scalar(self) -> object:
        """A value of any plain kind."""
        roll = self.randrange(8)
        if roll < 3:
            return self.number()
        if roll < 5:
            return self.word()
        return self.choice((True, False, self.choice(FLOATS)))

    def bytes_like(self, length: int) -> bytes:
        """Bytes of a length: noise, one value, or counting."""
        roll = self.randrange(3)
        if roll == 0:
            return self.randbytes(length)
        if roll == 1:
            return bytes([self.choice((0, 0xFF, 0x0A, 0x20, 0x41))]) * length
        return (bytes(range(256)) * (length // 256 + 1))[:length]

    # what somebody, or a disk, does to a file -------------------------------------------------------------------------

    def spoil(self, data: bytes) -> bytes:
        """The content with something done to it that knows nothing of its form."""
        for _ in range(self.choice((1, 1, 2, 4))):
            data = self._spoiled(data)
        return data

    def _spoiled(self, data: bytes) -> bytes:
        at, end = sorted((self.randint(0, len(data)), self.randint(0, len(data))))
        roll = self.randrange(14)
        if roll == 0:
            return data[:at]
        if roll == 1:
            return data[at:]
        if roll == 2:
            return data[:at] + data[end:]
        if roll == 3:
            return data[:end] + data[at:end] * self.choice((1, 1, 2, 40)) + data[end:]
        if roll == 4:
            return data[:at] + self.choice(NASTY + WORDS).encode() + data[at:]
        if roll == 5:
            return data[:at] + self.randbytes(self.randint(1, 6)) + data[at:]
        if roll == 6 and data:
            spoiled = bytearray(data)
            for _ in range(self.randint(1, 4)):
                spoiled[self.randrange(len(data))] ^= 1 << self.randrange(8)
            return bytes(spoiled)
        if roll == 7:
            return data.replace(b"\n", self.choice((b"\r\n", b"\r", b"\n\n", b" \n", b"\x0b", b"")))
        if roll == 8:
            return (
                self.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0", b"#!", b"\x1f\x8b", b"PK\x03\x04"))
                + data
            )
        if roll == 9:
            return data.decode("latin-1").encode(self.choice(("utf-16", "utf-16-be", "utf-32", "utf-8")))
        if roll == 10:
            lines = data.split(b"\n")
            self.shuffle(lines)
            return b"\n".join(lines)
        if roll == 11:
            lines = data.split(b"\n")
            lines.insert(self.randint(0, len(lines)), self.choice(lines) * self.choice((1, 1, 3, 50)))
            return b"\n".join(lines)
        if roll == 12:
            mark = bytes([self.randrange(256)])
            return data[:at] + mark * self.choice((5, 100, 3000, 20000)) + data[at:]
        return data.swapcase() if self.chance(2) else data + data
