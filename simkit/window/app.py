"""The window of a machine: runs it in real time, shows it, and hands it what the person does."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pygame

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_new
from simkit.machine.machine import Machine
from simkit.machine.views import Keys, Pads, Screen
from simkit.window.bar import Bar, Entry
from simkit.window.clipboard import clipboard_text
from simkit.window.controls import Controls
from simkit.window.hands import Hands
from simkit.window.pacing import Pacer
from simkit.window.painter import Painter
from simkit.window.panel import Panel
from simkit.window.picture_files import names

MESSAGE_SECONDS = 5.0
READ_PER_SECOND = 20
"""Characters that a reader takes in; long messages stay longer."""
DRAW_SECONDS = 1 / 60
DRAW_SECONDS_BEHIND = 1 / 25
"""A host that cannot keep up draws less often, so that the machine gets the time."""
TITLE_SECONDS = 0.5
LONGEST_SLEEP_SECONDS = 0.002


class NoDisplayError(SimkitError):
    """There is no display to open a window on."""


class App:
    """One window, one machine.

    Args:
        machine: switched on.
        screen: the screen to show, or None when the machine has lamps and buttons only.
        controls: which host key and joystick contact is which.
        pictures: folder that screenshots go into.
        reload: gives a fresh machine when its files have changed, else None; or None when nobody watches files.
        now: host time in seconds.

    Raises:
        NoDisplayError: no window can be opened.
    """

    def __init__(
        self,
        machine: Machine,
        screen: Screen | None,
        controls: Controls,
        *,
        pictures: Path,
        reload: Callable[[], Machine | None] | None = None,
        now: Callable[[], float] = time.perf_counter,
    ) -> None:
        try:
            pygame.display.init()
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self._controls = controls
        self._pictures = pictures
        self._reload = reload
        self._now = now
        self._message, self._message_until = "", 0.0
        self._next_draw = self._next_title = self._next_reload = 0.0
        self._quit = self._paused = self._off = False
        self._title = ""
        try:
            self._take_machine(machine, screen)
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self._say_with_warnings(
            f"{controls.host_key.title()} or the right mouse button opens the bar; all other keys are the machine's."
        )

    def _take_machine(self, machine: Machine, screen: Screen | None) -> None:
        self.machine, self.screen = machine, screen
        self.bar = Bar(self._entries(machine))
        self._panel = Panel(machine)
        self.painter = Painter(screen.port if screen else None, self._panel)
        self.hands = Hands(machine, self._controls, self.bar, self._panel, self._entry_at, self.say)
        self.pacer = Pacer(machine.description.clock_hz, self._now)
        self._off = False

    def _entry_at(self, x: int, y: int) -> int | None:
        return self.painter.entry_at(x, y)

    def say(self, text: str) -> None:
        """Show a line for some seconds."""
        self._message, self._message_until = text, self._now() + max(MESSAGE_SECONDS, len(text) / READ_PER_SECOND)

    def _say_with_warnings(self, text: str) -> None:
        self.say(" ".join([text, *(f"Note: {warning.message}" for warning in self.machine.warnings)]))

    # the loop ---------------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Run until the window is closed."""
        self.pacer.begin(self.machine.cycle)
        try:
            while not self._quit:
                self.tick()
        finally:
            pygame.display.quit()

    def tick(self) -> None:
        """Once round: what the person did, a slice of machine time if one is due, a picture if one is due."""
        for event in pygame.event.get():
            self._take(event)
        machine, pacer = self.machine, self.pacer
        due = 0 if self._paused or self._off else pacer.due(machine.cycle)
        if due:
            machine.run(cycles=due)
        if not (self._paused or self._off):
            pacer.mark(machine.cycle)
        now = self._now()
        if now >= self._next_draw and (not due or now >= self._next_draw + DRAW_SECONDS_BEHIND - DRAW_SECONDS):
            self._next_draw = now + DRAW_SECONDS
            self._draw(now)
        elif not due:
            # Wakes at once when something happens on the host, so that a key does not wait for the next slice.
            event = pygame.event.wait(max(1, int(LONGEST_SLEEP_SECONDS * 1000)))
            if event.type != pygame.NOEVENT:
                self._take(event)
        if now >= self._next_title:
            self._next_title = now + TITLE_SECONDS
            self._show_title()
            self._look_at_files()

    def _take(self, event: pygame.event.Event) -> None:
        if event.type == pygame.QUIT:
            self._quit = True
        elif event.type == pygame.VIDEORESIZE:
            self.painter.resized()
        else:
            self.hands.take(event)
        if event.type != pygame.MOUSEMOTION:
            self._next_draw = min(self._next_draw, self._now())

    def _draw(self, now: float) -> None:
        if now >= self._message_until:
            self._message = ""
        self.painter.draw(
            self.machine.cycle,
            dark=self._off,
            entries=self.bar.words() if self.bar.is_open else (),
            chosen=self.bar.chosen,
            message=self._message,
        )

    def _show_title(self) -> None:
        parts = [self.machine.description.name]
        if self._off:
            parts.append("switched off")
        elif self._paused:
            parts.append("paused")
        elif self.machine.cpu.halted:
            parts.append(f"the CPU {self.machine.cpu.halted}")
        else:
            parts.append(self.pacer.words(self.machine.description.clock_text))
        title = ": ".join(part for part in parts if part)
        if title != self._title:
            self._title = title
            pygame.display.set_caption(title)

    def _look_at_files(self) -> None:
        if self._reload is None:
            return
        try:
            fresh = self._reload()
        except SimkitError as error:
            self.say(str(error))
            return
        if fresh is not None:
            slot = self.screen.slot if self.screen else None
            self._take_machine(fresh, fresh.card(slot).screen if slot is not None else None)
            self._go_on()
            self._say_with_warnings("The files have changed: loaded anew and switched on.")

    # what the bar does ------------------------------------------------------------------------------------------------

    def _entries(self, machine: Machine) -> list[Entry]:
        keys_and_pads = bool(machine.ports(Keys)) and bool(machine.ports(Pads))
        return [
            Entry(lambda: "Go on" if self._paused else "Pause", self._pause),
            Entry(lambda: "Reset", self._reset),
            Entry(lambda: "Power on" if self._off else "Power off", self._power),
            Entry(lambda: "Screenshot", self._screenshot),
            Entry(lambda: "Paste as typing", self._paste),
            *([Entry(self._words_on_pads, self._turn_key_pads, closes=False)] if keys_and_pads else []),
            Entry(lambda: "Window" if self.painter.full_screen else "Full screen", self._full_screen),
            Entry(lambda: "Quit", self._leave),
        ]

    def _go_on(self) -> None:
        self._paused = False
        self.pacer.begin(self.machine.cycle)

    def _pause(self) -> None:
        if self._paused:
            self._go_on()
        else:
            self._paused = True

    def _reset(self) -> None:
        self.machine.reset()
        self._go_on()

    def _power(self) -> None:
        if self._off:
            self.machine.power_cycle()
            self.hands.forget()
            self._off = False
            self._go_on()
        else:
            self._off = True

    def _screenshot(self) -> None:
        if self.screen is None:
            self.say("This machine has no screen to take a picture of.")
            return
        try:
            path = write_new(names(self._pictures, self.machine), self.screen.png(), what="picture")
        except SimkitError as error:
            self.say(str(error))
            return
        self.say(f"Saved {path}.")

    def _paste(self) -> None:
        keyboards = self.machine.ports(Keys)
        if not keyboards:
            self.say("This machine has no keyboard to type on.")
            return
        try:
            text = clipboard_text()
            keyboards[0].type(text)
        except SimkitError as error:
            self.say(str(error))
            return
        self.say(f"Typing {len(text)} characters.")

    def _words_on_pads(self) -> str:
        return f"Keys play pads: {'yes' if self.hands.key_pads.enabled else 'no'}"

    def _turn_key_pads(self) -> None:
        self.hands.key_pads.enabled = not self.hands.key_pads.enabled

    def _full_screen(self) -> None:
        self.painter.turn_full_screen()

    def _leave(self) -> None:
        self._quit = True
