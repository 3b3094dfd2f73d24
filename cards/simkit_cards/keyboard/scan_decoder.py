"""From scan codes to characters, for a controller that delivers characters.

The parser's states are those of B.5-type tables found with every set 2 driver (common practice); E0 12 and E0 59 are
no keys. Layout: US, by CHARACTER_BY_CODE.
"""

from __future__ import annotations

from simkit.contract import FLAG, many, row, whole
from simkit_cards.ps2.scan_codes import BREAK, CHARACTER_BY_CODE, EXTENDED, PAUSE_PREFIX

_SHIFT_CODES = (0x12, 0x59)
_CTRL_CODE = 0x14
_CAPS_CODE = 0x58
_EXTENDED_CHARACTERS = {0x5A: "\n", 0x4A: "/", 0x71: "\x7f"}  # keypad enter, keypad /, delete
_KEYPAD_CHARACTERS = dict(
    zip((0x70, 0x69, 0x72, 0x7A, 0x6B, 0x73, 0x74, 0x6C, 0x75, 0x7D, 0x71, 0x7C, 0x7B, 0x79), "0123456789.*-+",
        strict=True)
)  # fmt: skip
_PAUSE_REST = 7


class ScanDecoder:
    """Turns codes into ASCII characters with Shift, Ctrl and Caps Lock; Enter gives 0D."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget prefixes, modifiers and Caps Lock."""
        self._extended = self._break = self._caps = False
        self._shifts: set[int] = set()
        self._ctrl = False
        self._skip = 0

    def feed(self, code: int) -> int | None:
        """Take a code; the character it completes, or None."""
        if self._skip:
            self._skip -= 1
            return None
        if code == PAUSE_PREFIX:
            self._skip = _PAUSE_REST
            return None
        if code == EXTENDED:
            self._extended = True
            return None
        if code == BREAK:
            self._break = True
            return None
        extended, released = self._extended, self._break
        self._extended = self._break = False
        if code in (0x00, 0xFF):  # overrun: releases may be lost
            self._shifts.clear()
            self._ctrl = False
            return None
        if code > 0x84:
            return None  # replies of the keyboard
        if code in _SHIFT_CODES:
            if not extended:
                (self._shifts.discard if released else self._shifts.add)(code)
            return None
        if code == _CTRL_CODE:
            self._ctrl = not released
            return None
        if released:
            return None
        if code == _CAPS_CODE:
            self._caps = not self._caps
            return None
        return self._character(code, extended)

    def _character(self, code: int, extended: bool) -> int | None:
        if extended:
            character = _EXTENDED_CHARACTERS.get(code)
        elif code in _KEYPAD_CHARACTERS:
            character = _KEYPAD_CHARACTERS[code]
        else:
            character = CHARACTER_BY_CODE.get((code, bool(self._shifts)))
            if character is None:
                character = CHARACTER_BY_CODE.get((code, False))
            if character is not None and self._caps and character.isalpha():
                character = character.swapcase()
        if character is None:
            return None
        if character == "\n":
            return 0x0D
        if self._ctrl and character.isalpha():
            return ord(character) & 0x1F
        return ord(character)

    def state(self) -> tuple[bool, bool, bool, bool, int, set[int]]:
        """What it remembers."""
        return self._extended, self._break, self._caps, self._ctrl, self._skip, self._shifts

    @classmethod
    def loaded(cls, state: tuple[bool, bool, bool, bool, int, set[int]]) -> ScanDecoder:
        """A decoder with that state."""
        decoder = cls()
        decoder._extended, decoder._break, decoder._caps, decoder._ctrl, decoder._skip, decoder._shifts = state
        return decoder


_SHIFT = whole().that(_SHIFT_CODES.__contains__, f"is none of the codes {_SHIFT_CODES}")
DECODER = row(FLAG, FLAG, FLAG, FLAG, whole(0, _PAUSE_REST), many(_SHIFT).into(set)).into(
    ScanDecoder.loaded, ScanDecoder.state
)
"""How a decoder is saved."""
