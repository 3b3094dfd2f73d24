"""What a visitor does at the page: keys, gamepads, buttons on the glass, push buttons, the terminal; to the machine."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.contract.errors import SimkitError, near
from simkit.hands.controls import Controls
from simkit.hands.keys import HeldKeys
from simkit.hands.pads import JoystickPads, KeyPads, PadButtons
from simkit.hands.serial_terminal import SerialTerminal
from simkit.hands.web_keys import NAME_BY_CODE, standard_button, standard_hat
from simkit.machine.machine import Machine
from simkit.machine.views import Buttons, Keys, Pads, Serial

HAT = 0
"""The number that a gamepad's four directions have as a hat."""


class Hands:
    """Hands on one machine.

    Args:
        machine: what they play on.
        controls: which key and contact is which.

    Attributes:
        tied: whether nothing reaches the machine, as a recording is played.
        buttons: push buttons, by card.
        terminals: one a serial line.
    """

    def __init__(self, machine: Machine, controls: Controls) -> None:
        self.tied = False
        self._machine = machine
        self._pads = PadButtons(machine.ports(Pads), machine.description.clock_hz)
        self._keyboards = machine.ports(Keys)
        self._keys = HeldKeys(self._keyboards)
        self._key_pads = KeyPads(self._pads, controls)
        self._gamepads = JoystickPads(self._pads, controls)
        self._down: dict[int, set[int]] = {}
        self.buttons = machine.ports(Buttons)
        self._pressed: dict[tuple[int, str], Buttons] = {}
        self.terminals = [SerialTerminal(machine, serial, lambda: not self.tied) for serial in machine.ports(Serial)]

    @property
    def typing(self) -> bool:
        """Whether a key is down that a keyboard of the machine has."""
        return self._keys.typing

    @property
    def pads(self) -> list[list[str]]:
        """Names of the buttons of each pad, in the order of the numbers."""
        return [list(self._pads.buttons) for _ in self._pads.numbers]

    @property
    def has_keyboard(self) -> bool:
        """Whether the machine has a keyboard to type on."""
        return bool(self._keyboards)

    def key(self, code: str, *, down: bool) -> None:
        """A key of the host's keyboard, by its code."""
        name = NAME_BY_CODE.get(code)
        if name is None or (down and self.tied):
            return
        if down:
            self._keys.press(name)
            self._key_pads.press(name, self._machine.cycle)
        else:
            self._keys.release(name)
            self._key_pads.release(name, self._machine.cycle)

    def type(self, text: str) -> int:
        """Type a text on the first keyboard; gives the number of characters.

        Raises:
            SimkitError: the machine has no keyboard, or a character is on no key.
        """
        if not self._keyboards:
            raise SimkitError("This machine has no keyboard to type on.")
        if not self.tied:
            self._keyboards[0].type(text)
        return len(text)

    def touch(self, pad: int, button: str, *, down: bool) -> None:
        """A button of a pad that is drawn on the page."""
        if not down:
            self._pads.let_go(pad, button, "touch", self._machine.cycle)
        elif not self.tied:
            self._pads.hold(pad, button, "touch", self._machine.cycle)

    def gamepad(self, number: int, buttons: Sequence[int], axes: Sequence[float], *, standard: bool) -> int | None:
        """How a gamepad stands: numbers of the buttons that are down, and its axes; gives the pad that it plays.

        Args:
            number: that the browser gives it.
            buttons: that are down.
            axes: -1 to 1 each.
            standard: whether it has the layout of the standard.
        """
        if self.tied:
            return self._gamepads.pad_of.get(number)
        pad = self._gamepads.plugged_in(number)
        now, before, cycle = set(buttons), self._down.get(number, set()), self._machine.cycle
        self._down[number] = now
        for button in sorted(now ^ before):
            known = standard_button(button) if standard else button
            if known is not None:
                self._gamepads.button(number, known, button in now, cycle)
        if standard:
            self._gamepads.hat(number, HAT, standard_hat(now), cycle)
        for axis, value in enumerate(axes[:2] if standard else axes):
            self._gamepads.axis(number, axis, value, cycle)
        return pad

    def gamepad_gone(self, number: int) -> None:
        """A gamepad was pulled out."""
        self._gamepads.pulled_out(number, self._machine.cycle)
        self._down.pop(number, None)

    def push(self, slot: int, label: str, *, down: bool) -> None:
        """A push button of a card.

        Raises:
            SimkitError: there is none of that name.
        """
        port = next((one for one in self.buttons if one.slot == slot), None)
        if port is None or label not in port.port.labels:
            raise SimkitError(
                f"There is no button {label!r} in slot {slot}.", remedy=near(label, port.port.labels if port else ())
            )
        if not down and self._pressed.pop((slot, label), None) is not None:
            port.release(label)
        elif down and not self.tied and (slot, label) not in self._pressed:
            self._pressed[slot, label] = port
            port.press(label)

    def terminal(self, number: int, text: str, code: str, *, control: bool) -> None:
        """What is typed at a terminal: characters, or the code of a key that makes none.

        Args:
            number: of the terminal, from 0.
            text: "" when it is a key.
            code: "" when it is text.
            control: whether Ctrl is down.
        """
        terminal = self.terminals[number]
        if text:
            terminal.text(text)
        elif code in NAME_BY_CODE:
            terminal.key(NAME_BY_CODE[code], control=control)

    def let_go_all(self) -> None:
        """Everything comes up: the page lost the focus, or a recording takes the machine."""
        self._keys.release_all()
        self._pads.let_go_all(self._machine.cycle)
        self._down.clear()
        for slot, label in list(self._pressed):
            self.push(slot, label, down=False)

    def forget(self) -> None:
        """The machine was switched off and on: nothing is held, and nothing is still to be sent."""
        self._keys.forget()
        self._pads.forget()
        self._pressed.clear()
        for terminal in self.terminals:
            terminal.forget()

    def feed(self, until: int) -> None:
        """Hand on what was typed at the terminals, as far as the lines carry it before that cycle."""
        if not self.tied:
            for terminal in self.terminals:
                terminal.feed(until)
