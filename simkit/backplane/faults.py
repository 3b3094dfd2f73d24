"""Faults: what is wrong with a machine, put in on purpose, each a sentence that reads back to the same fault.

A fault is an entry of the wiring (`simkit.backplane.wiring`), or one of the few things here that no wire does: a
setting that is another than the builder thinks, bits of a ROM, a write that ends late, a pulse of the clock too many or
too few. Any of them may have a time (`simkit.backplane.fault_times`).
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

import attrs

from simkit.backplane.fault_times import ALWAYS, When, split_time
from simkit.backplane.wiring import CPU, Done, Entry

MAX_FAULTS = 400
"""Faults of one machine."""


@attrs.frozen
class Set:
    """A jumper, switch or option of a card that stands otherwise.

    Attributes:
        slot: of the card.
        name: of the setting.
        value: it has.
    """

    slot: int
    name: str
    value: bool | int | float | str

    def __str__(self) -> str:
        value = {True: "true", False: "false"}[self.value] if isinstance(self.value, bool) else str(self.value)
        if isinstance(self.value, str) and _is_bare(self.value) is not self.value:
            value = f'"{value}"'
        return f"slot {self.slot}: setting {self.name} = {value}"


def _is_bare(text: str) -> object:
    """What a word without quotes means as the value of a setting: itself, where it is a text and says no time."""
    if not text or "," in text or '"' in text or not _says_no_time(text):
        return None
    return bare_value(text)


def _says_no_time(text: str) -> bool:
    """Whether a word stays whole beside what is said of time."""
    said = f"= {text}"
    return split_time(said) == (said, ALWAYS) and split_time(f"{said}, 1 in 100")[0] == said


def bare_value(text: str) -> bool | int | float | str:
    """Value of a setting as people write it: 3, $1F, true, first-bit-high."""
    word = text.lower()
    if word in ("true", "yes", "on", "false", "no", "off"):
        return word in ("true", "yes", "on")
    sign, digits = ("-", word[1:]) if word.startswith("-") else ("", word)
    try:
        if digits[:1] == "$" or digits[:2] == "0x":
            return int(sign + digits.removeprefix("$").removeprefix("0x"), 16)
        return int(word) if digits.isdecimal() else float(word) if digits[:1].isdecimal() else text
    except ValueError:
        return text


@attrs.frozen
class Cell:
    """A byte of a ROM that is another than was meant: a bit that was not programmed, a cell that fails.

    Attributes:
        slot: of the card.
        at: address on the bus at which the CPU sees it; or where it stands in the part.
        in_part: whether it is the latter.
        bit: which of it; None: the whole byte.
        value: the byte, or how the bit reads: Done.LOW, Done.HIGH or Done.INVERTED.
    """

    slot: int
    at: int
    in_part: bool
    bit: int | None
    value: int | Done

    def __str__(self) -> str:
        place = f"offset ${self.at:04X}" if self.in_part else f"${self.at:04X}"
        if self.bit is None:
            return f"slot {self.slot}: byte at {place} = ${self.value:02X}"
        assert isinstance(self.value, Done)
        return f"slot {self.slot}: bit {self.bit} of {place} {self.value.value}"

    def put_into(self, image: bytearray, offset: int) -> None:
        """Change the image at an offset."""
        if self.bit is None:
            assert isinstance(self.value, int)
            image[offset] = self.value
            return
        mask = 1 << self.bit
        if self.value is Done.INVERTED:
            image[offset] ^= mask
        elif self.value is Done.HIGH:
            image[offset] |= mask
        else:
            image[offset] &= ~mask


class Lingering(Enum):
    """What the end of a write strobe that comes late finds changed, in the words of its sentence."""

    ADDRESS = "writes end late"
    DATA = "write data end early"


@attrs.frozen
class WriteEnd:
    """The strobe of a card's writes outlasts what it should store.

    Attributes:
        slot: of the card.
        changed: what has changed when the strobe ends.
    """

    slot: int
    changed: Lingering

    def __str__(self) -> str:
        return f"slot {self.slot}: {self.changed.value}"


class Pulse(Enum):
    """What is wrong with a pulse of the clock, in the words of its sentence."""

    DOUBLED = "PHI2 doubled"
    MISSING = "PHI2 missing"


@attrs.frozen
class Clock:
    """A pulse of PHI2 that comes twice, or not at all.

    Attributes:
        pulse: which of the two.
        slot: where it is seen so; None: everywhere.
    """

    pulse: Pulse
    slot: int | None = None

    def __str__(self) -> str:
        return f"{'' if self.slot is None else f'slot {self.slot}: '}{self.pulse.value}"


What = Entry | Set | Cell | WriteEnd | Clock


@attrs.frozen(repr=False)
class Fault:
    """Something wrong with a machine.

    Attributes:
        what: is wrong.
        when: it is.
    """

    what: What
    when: When = ALWAYS

    def __repr__(self) -> str:
        return f"read_fault({str(self)!r})"

    def __str__(self) -> str:
        time = str(self.when)
        return f"{self.what}, {time}" if time else str(self.what)

    @property
    def slot(self) -> int | None:
        """Slot of the card concerned, CPU for the CPU, None for all."""
        return self.what.slot

    @property
    def is_static(self) -> bool:
        """Whether it is always there and compiled into the decoding, the wiring, settings and images."""
        return self.when == ALWAYS and not isinstance(self.what, WriteEnd | Clock)

    @property
    def is_in_wiring(self) -> bool:
        """Whether wiring and settings of the machine as described say the same."""
        return self.is_static and isinstance(self.what, Entry | Set)

    @property
    def place(self) -> str:
        """Where, in words."""
        if self.slot is None:
            return "the backplane"
        return "the CPU" if self.slot == CPU else f"slot {self.slot}"


def told(faults: Iterable[Fault]) -> str:
    """A machine's faults in one line: "2 faults: slot 4: D3 open; A5 low"; "" for none."""
    said = [str(fault) for fault in faults]
    return f"{len(said)} fault{'s' if len(said) != 1 else ''}: {'; '.join(said)}" if said else ""
