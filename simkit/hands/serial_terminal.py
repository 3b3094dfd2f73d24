"""A terminal at the serial line of a card: what the machine sent as text, and what is typed handed to the line."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.hands.terminal_screen import TerminalScreen
from simkit.outside.serial_host import Feeder

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.views import Serial

_KEYS = {
    "enter": b"\r",
    "keypad enter": b"\r",
    "backspace": b"\b",
    "tab": b"\t",
    "escape": b"\x1b",
    "delete": b"\x7f",
}
"""What keys send that make no characters (common practice)."""


class SerialTerminal:
    """The terminal, without a look of its own.

    Args:
        machine: whose card it is.
        serial: its plug.
        may_send: whether the person's hands reach the machine.

    Attributes:
        screen: text as it stands.
        serial: the plug.
    """

    def __init__(self, machine: Machine, serial: Serial, may_send: Callable[[], bool]) -> None:
        self.screen = TerminalScreen()
        self.serial = serial
        self._machine = machine
        self._may_send = may_send
        self._feeder = Feeder(machine, serial)
        self._newest: object = None

    def catch_up(self) -> bool:
        """Show what the machine has sent since the last look; False: it begins anew, the text before is gone."""
        self._machine.settle()
        sent, self._newest, goes_on = self.serial.sent_after(self._newest)
        if not goes_on:
            self.screen = TerminalScreen()
        self.screen.feed(sent)
        return goes_on

    def feed(self, until: int) -> None:
        """Hand on what was typed, as far as the line carries it before that cycle."""
        self._feeder.feed(until)

    def forget(self) -> None:
        """The machine was switched off and on: what was still to be sent is gone."""
        self._feeder = Feeder(self._machine, self.serial)

    def send(self, text: str) -> None:
        """Send characters; the end of a line is a carriage return.

        Raises:
            SimkitError: some are not ASCII; nothing is sent.
        """
        if not text.isascii():
            wrong = next(character for character in text if not character.isascii())
            raise SimkitError(f"The serial line carries ASCII, and {wrong!r} is none.", remedy="Leave it out.")
        self._send(text.replace("\n", "\r").encode("ascii"))

    def key(self, name: str, *, control: bool) -> bool:
        """A key that makes no character, or a letter with Ctrl; False: another one, which sends nothing."""
        if control and len(name) == 1 and name.isascii() and name.isalpha():
            self._send(bytes([ord(name.lower()) & 0x1F]))
        elif name in _KEYS and not control:
            self._send(_KEYS[name])
        else:
            return False
        return True

    def text(self, text: str) -> None:
        """Characters of the host's layout; those that the line does not carry are dropped."""
        self._send(text.encode("ascii", "ignore"))

    def _send(self, data: bytes) -> None:
        if self._may_send():
            self._feeder.add(data)
