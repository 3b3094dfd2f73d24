"""Keys of the host, by physical position, to the machine's keyboards; nothing pressed is ever left hanging.

SDL numbers its scan codes as the usage ids of the USB keyboard page ([HID] USB Implementers Forum, HID Usage Tables,
Keyboard/Keypad page 0x07), so a key of the host finds its position whatever layout the host uses.
"""

from __future__ import annotations

from simkit.machine.views import Keys


class HeldKeys:
    """Keys held down on the host, and the keyboards of the machine that follow them."""

    def __init__(self, keyboards: list[Keys]) -> None:
        self._keyboards = keyboards
        self._held: dict[str, None] = {}

    @property
    def held(self) -> tuple[str, ...]:
        """Names of the keys down, first pressed first."""
        return tuple(self._held)

    @property
    def typing(self) -> bool:
        """Whether a key is down that a keyboard of the machine has."""
        return any(key in keyboard.port.keys for keyboard in self._keyboards for key in self._held)

    def press(self, key: str) -> bool:
        """A key went down. A repeat by the host is no new press: the keyboard repeats by itself.

        Returns:
            Whether a keyboard of the machine has the key.
        """
        if key in self._held:
            return False
        self._held[key] = None
        taken = False
        for keyboard in self._keyboards:
            if key in keyboard.port.keys:
                keyboard.press(key)
                taken = True
        return taken

    def release(self, key: str) -> None:
        """A key came up; one that was never seen going down is left alone."""
        if key not in self._held:
            return
        del self._held[key]
        for keyboard in self._keyboards:
            if key in keyboard.port.keys:
                keyboard.release(key)

    def release_all(self) -> None:
        """All keys up, last pressed first: the window lost the focus, or the bar took the keys."""
        for key in reversed(self.held):
            self.release(key)

    def forget(self) -> None:
        """The machine was switched off and on: its keyboard knows of no key."""
        self._held.clear()
