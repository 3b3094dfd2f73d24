"""What keeps a made-up ELF file from taking time or memory without end: pyelftools reads whatever is said to be there.

Layout of the header of a line number program: DWARF Debugging Information Format, version 5 (2017), section 6.2.4;
which forms may stand in its tables: 6.2.4.1; sizes of forms: 7.5.5.
"""

from __future__ import annotations

import io
from typing import Any

MAX_STEPS = 250_000
"""Reads that one file may take, about a second. The tables of a program of 64 KiB take some 100,000."""
MAX_SECTION_BYTES = 8_000_000
"""Of debug sections together, as they are when unpacked."""
_STEP_BYTES = 64
_DEBUG = (".debug_", ".zdebug_", ".eh_frame", ".gnu_debug")
_FIXED = {0x05: 2, 0x06: 4, 0x07: 8, 0x0B: 1, 0x1E: 16}
_OFFSETS = (0x0E, 0x1D, 0x1F)
_STRING, _BLOCK, _UDATA = 0x08, 0x09, 0x0F


class TooMuchError(Exception):
    """The file takes more steps, or room, than a program for the 6502 ever needs."""


class Steps:
    """Counts what a file takes to read.

    Attributes:
        used_up: whether there were too many; pyelftools makes other exceptions of the one that says so.
    """

    def __init__(self) -> None:
        self._left = MAX_STEPS
        self.used_up = False

    def take(self, steps: int = 1) -> None:
        """Count steps.

        Raises:
            TooMuchError: there were too many.
        """
        self._left -= steps
        if self._left < 0:
            self.used_up = True
            raise TooMuchError


class Counted(io.BytesIO):
    """Bytes in memory, each read of which is counted."""

    def __init__(self, content: bytes, steps: Steps) -> None:
        super().__init__(content)
        self._steps = steps

    def read(self, size: int | None = -1, /) -> bytes:
        """The next bytes.

        Raises:
            TooMuchError: the file has taken too many steps.
        """
        found = super().read(size)
        self._steps.take(1 + len(found) // _STEP_BYTES)
        return found


def check_sections(elf: Any) -> None:
    """Refuse sections that are much larger than the file says at first sight: packed ones, and those of zeros.

    Raises:
        TooMuchError: they are.
    """
    sections = [section for section in elf.iter_sections() if section.name.startswith(_DEBUG)]
    packed = any(section.name.startswith(".zdebug_") for section in sections)  # unpacked without a bound
    if packed or sum(section.data_size for section in sections) > MAX_SECTION_BYTES:
        raise TooMuchError


def is_sound(table: bytes, at: int) -> bool:
    """Whether the lists of folders and files of a line number program end; those of versions 2 to 4 always do.

    Args:
        table: the section .debug_line.
        at: where the program begins in it.
    """
    wide = table[at : at + 4] == b"\xff" * 4
    at += 12 if wide else 4
    if int.from_bytes(table[at : at + 2], "little") != 5:
        return True
    at += 4 + (8 if wide else 4) + 5  # version, sizes, length of the header, five numbers of a byte
    try:
        at += table[at]  # that of the operations: so many lengths follow, less one
        for _ in range(2):
            at = _past_list(table, at, 8 if wide else 4)
    except (IndexError, ValueError):
        return False
    return True


def _past_list(table: bytes, at: int, offset_size: int) -> int:
    number = table[at]
    at += 1
    forms = []
    for _ in range(number):
        _, at = _uleb(table, at)
        form, at = _uleb(table, at)
        forms.append(form)
    count, at = _uleb(table, at)
    if count and not forms:
        raise ValueError
    for _ in range(count):
        for form in forms:
            at = _past(table, at, form, offset_size)
        if at > len(table):
            raise ValueError
    return at


def _past(table: bytes, at: int, form: int, offset_size: int) -> int:
    """Where a value ends; each takes at least one byte."""
    if form in _FIXED:
        return at + _FIXED[form]
    if form in _OFFSETS:
        return at + offset_size
    if form == _STRING:
        return table.index(0, at) + 1
    if form == _UDATA:
        return _uleb(table, at)[1]
    if form == _BLOCK:
        length, at = _uleb(table, at)
        return at + length
    raise ValueError(form)


def _uleb(table: bytes, at: int) -> tuple[int, int]:
    value = 0
    for shift in range(0, 70, 7):
        byte = table[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
    raise ValueError("a number without end")
