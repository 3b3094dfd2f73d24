"""What the person does at the window: events of the host become presses on the machine, stamped with its cycle now."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pygame

from simkit.hands.bar_key import BarKey, Press, TopEdge
from simkit.hands.controls import MAX_PADS, Controls
from simkit.hands.keys import HeldKeys
from simkit.hands.pads import JoystickPads, KeyPads, PadButtons, check_buttons
from simkit.machine.machine import Machine
from simkit.machine.views import Keys, Pads
from simkit.outside.host_keys import key_name
from simkit.window.bar import Bar
from simkit.window.desk import Desk
from simkit.window.panel import Panel

_PLAYING = frozenset(
    (pygame.KEYUP, pygame.MOUSEBUTTONUP, pygame.JOYAXISMOTION, pygame.JOYHATMOTION, pygame.JOYBUTTONDOWN)
) | {pygame.JOYBUTTONUP}
"""Events of the host that do nothing but play; of keys and mouse buttons that go down some are the bar's."""
REPEAT_MS = (400, 35)
"""Until a key that is held repeats, and from then on, where characters are written (common practice)."""


class Hands:
    """Keys, joysticks and mouse.

    Args:
        machine: what they play on.
        controls: which key is which.
        bar: takes the keys while it is open.
        desk: takes them where somebody else than the machine has them.
        panel: takes the mouse below the picture.
        entry_at: number of the bar's entry at a point of the window.
        say: shows a line to the person.
        now: host time in seconds.

    Attributes:
        tied: whether nothing reaches the machine, as a recording is played; the bar is there all the same.
    """

    def __init__(
        self,
        machine: Machine,
        controls: Controls,
        bar: Bar,
        desk: Desk,
        panel: Panel,
        entry_at: Callable[[int, int], int | None],
        say: Callable[[str], None],
        now: Callable[[], float],
    ) -> None:
        self._bar = bar
        self._desk = desk
        self._entry_at = entry_at
        self._say = say
        self._joysticks: dict[int, Any] = {}
        self._edge = TopEdge(now)
        self._focused = True
        self.tied = False
        self._take_up(machine, controls, panel, _pad_buttons(machine, controls))
        pygame.joystick.init()
        desk.changed = self.keys_go_elsewhere
        self._listen()

    def keys_go_elsewhere(self) -> None:
        """To a pane, to the bar, back to the machine: what is held comes up."""
        self.let_go_all()
        self._listen()

    def _listen(self) -> None:
        """Have the host make characters of keys where somebody takes them; input methods swallow keys."""
        taker = None if self._bar.is_open else self._desk.taker
        if taker is not None and taker.wants_text:
            pygame.key.start_text_input()
            pygame.key.set_repeat(*REPEAT_MS)
        else:
            pygame.key.stop_text_input()
            if taker is not None:
                pygame.key.set_repeat(*REPEAT_MS)
            else:
                pygame.key.set_repeat()

    def _take_up(self, machine: Machine, controls: Controls, panel: Panel, buttons: PadButtons) -> None:
        self._machine, self._panel, self.buttons = machine, panel, buttons
        self._bar_key = BarKey(controls.bar_key)
        self.keys = HeldKeys(machine.ports(Keys))
        self.key_pads = KeyPads(buttons, controls)
        self.joystick_pads = JoystickPads(buttons, controls)

    def play(self, machine: Machine, controls: Controls, panel: Panel) -> None:
        """Play on another machine, or with other controls. Nothing is held any more; joysticks keep their pads.

        Raises:
            SimkitError: the controls name a button that the pads do not have; nothing has changed.
        """
        buttons = _pad_buttons(machine, controls)
        self.let_go_all()
        enabled, pad_of = self.key_pads.enabled, self.joystick_pads.pad_of
        self._take_up(machine, controls, panel, buttons)
        self.key_pads.enabled = enabled
        for joystick in sorted(self._joysticks, key=lambda number: pad_of.get(number, MAX_PADS + number)):
            self.joystick_pads.plugged_in(joystick)

    def take(self, event: pygame.event.Event) -> None:
        """One event of the host. Those of the window itself are not for here."""
        if event.type == pygame.KEYUP:
            self._bar_key.release(key_name(event.scancode) or "")
        if self.tied and event.type in _PLAYING:
            return
        if event.type == pygame.KEYDOWN:
            self._key_down(event.scancode, control=bool(event.mod & pygame.KMOD_CTRL))
        elif event.type == pygame.TEXTINPUT:
            if not self._bar.is_open:
                self._desk.text(event.text)
        elif event.type == pygame.MOUSEWHEEL:
            self._desk.wheel(-event.y, *pygame.mouse.get_pos())
        elif event.type == pygame.KEYUP:
            self._key_up(event.scancode)
        elif event.type == pygame.WINDOWFOCUSLOST:
            self._focused = False
            self._bar_key.forget()
            self.let_go_all()
        elif event.type == pygame.WINDOWFOCUSGAINED:
            self._focused = True
        elif event.type == pygame.MOUSEMOTION:
            self._edge.move(event.pos[1], drags=any(event.buttons))
        elif event.type == pygame.WINDOWLEAVE:
            self._edge.leave()
        elif event.type == pygame.MOUSEBUTTONDOWN:
            self._mouse_down(event.button, *event.pos)
        elif event.type == pygame.MOUSEBUTTONUP and event.button == 1:
            self._panel.mouse_up()
        elif event.type in (pygame.JOYDEVICEADDED, pygame.JOYDEVICEREMOVED):
            self._plugging(event)
        elif event.type == pygame.JOYAXISMOTION:
            self.joystick_pads.axis(event.instance_id, event.axis, event.value, self._machine.cycle)
        elif event.type == pygame.JOYHATMOTION:
            self.joystick_pads.hat(event.instance_id, event.hat, event.value, self._machine.cycle)
        elif event.type in (pygame.JOYBUTTONDOWN, pygame.JOYBUTTONUP):
            down = event.type == pygame.JOYBUTTONDOWN
            self.joystick_pads.button(event.instance_id, event.button, down, self._machine.cycle)

    def look_at_edge(self) -> None:
        """Open the bar when the pointer rests at the top edge; not in the midst of play."""
        if self._bar.is_open or not self._focused:
            self._edge.spend()
        elif self._edge.rests and not self.keys.held and not self.buttons.held:
            self._turn_bar()

    def let_go_all(self) -> None:
        """Everything comes up: the window lost the focus, or the bar opens. Releases that never come are not missed."""
        self.keys.release_all()
        self.buttons.let_go_all(self._machine.cycle)
        self._panel.mouse_up()

    def forget(self) -> None:
        """The machine was switched off and on."""
        self.keys.forget()
        self.buttons.forget()
        self._panel.forget()

    def _key_down(self, scancode: int, *, control: bool) -> None:
        name = key_name(scancode)
        if name is None:
            return
        press = self._bar_key.press(name)
        if press is Press.TURNS:
            self._turn_bar()
        elif press is Press.REPEATED:
            return
        elif self._bar.is_open:
            self._bar.key(name)
            self._listen()
        elif not self._desk.key(name, control=control) and not self.tied:
            self.keys.press(name)
            self.key_pads.press(name, self._machine.cycle)

    def _key_up(self, scancode: int) -> None:
        name = key_name(scancode)
        if name is not None:
            self.keys.release(name)
            self.key_pads.release(name, self._machine.cycle)

    def _turn_bar(self) -> None:
        if self._bar.is_open:
            self._bar.close()
        else:
            self._bar.open()
        self.keys_go_elsewhere()

    def _mouse_down(self, button: int, x: int, y: int) -> None:
        if button == 3:
            self._turn_bar()
        elif button == 1 and self._bar.is_open:
            entry = self._entry_at(x, y)
            if entry is not None:
                self._bar.do(entry)
            else:
                self._bar.close()
                self._desk.click(x, y)
            self._listen()
        elif button == 1 and not self._desk.click(x, y) and not self.tied:
            self._panel.mouse_down(x, y)

    def _plugging(self, event: pygame.event.Event) -> None:
        if event.type == pygame.JOYDEVICEADDED:
            joystick = pygame.joystick.Joystick(event.device_index)
            number = joystick.get_instance_id()
            if number in self._joysticks:
                return
            self._joysticks[number] = joystick  # pygame reports a joystick only while somebody holds it
            if self.buttons.numbers:
                pad = self.joystick_pads.plugged_in(number)
                played = f"plays pad {pad}" if pad else "finds no free pad"
                self._say(f"Joystick {joystick.get_name()} {played}.")
            return
        self._joysticks.pop(event.instance_id, None)
        pad = self.joystick_pads.pulled_out(event.instance_id, self._machine.cycle)
        if pad is not None:
            self._say(f"The joystick of pad {pad} was pulled out.")


def _pad_buttons(machine: Machine, controls: Controls) -> PadButtons:
    buttons = PadButtons(machine.ports(Pads), machine.description.clock_hz)
    check_buttons(controls, buttons.buttons)
    return buttons
