"""What the person at the window can do to the machine: the entries of the bar, and what each of them does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_new
from simkit.machine.lengths import whole
from simkit.machine.views import Keys, Pads
from simkit.window.bar import Entry
from simkit.window.clipboard import clipboard_text
from simkit.window.moment import FORMS, Goal
from simkit.window.picture_files import names
from simkit.window.question import Question

if TYPE_CHECKING:
    from simkit.window.app import App
    from simkit.window.terminal import Terminal


class Deeds:
    """Does what is chosen in the bar.

    Args:
        app: the window.
    """

    def __init__(self, app: App) -> None:
        self._app = app

    def entries(self) -> list[Entry]:
        """What the bar holds for the machine that is shown."""
        app = self._app
        keys_and_pads = bool(app.machine.ports(Keys)) and bool(app.machine.ports(Pads))
        pause = Entry(lambda: "Go on" if app.going.paused else "Pause", self._pause)
        speed = Entry(lambda: f"Speed: {app.pacer.speed.short_words}", self._turn_speed, closes=False)
        screenshot = Entry(lambda: "Screenshot", self._screenshot)
        stand = [
            pause,
            Entry(lambda: "One instruction", self._one_instruction, closes=False),
            *([Entry(lambda: "One frame", self._one_frame, closes=False)] if app.screen is not None else []),
            Entry(lambda: "Run to a moment", self._ask_moment),
            Entry(lambda: "Hide the inside" if app.desk.pane is app.look else "Look inside", self._look),
        ]
        window = [
            Entry(self._words_on_findings, app.open_findings),
            *(self._terminal_entry(terminal) for terminal in app.terminals if terminal.closes),
            Entry(lambda: "Window" if app.painter.full_screen else "Full screen", self._full_screen),
            Entry(lambda: "Quit", app.leave),
        ]
        if app.tape.playing:
            return [*stand, Entry(lambda: "Take over", self._take_over), screenshot, speed, *window]
        return [
            *stand,
            Entry(lambda: "Reset", self._reset),
            Entry(lambda: "Power on" if app.going.off else "Power off", self._power),
            screenshot,
            Entry(lambda: "Paste as typing", self._paste),
            *([Entry(lambda: "Mark a chapter", self._mark)] if app.tape.recording else []),
            speed,
            *([Entry(self._words_on_pads, self._turn_key_pads, closes=False)] if keys_and_pads else []),
            *window,
        ]

    def _terminal_entry(self, terminal: Terminal) -> Entry:
        which = "terminal" if len(self._app.terminals) == 1 else f"terminal of {terminal.card_title}"
        app = self._app

        def turn() -> None:
            if app.desk.pane is terminal:
                app.desk.close()
            else:
                app.desk.lay(terminal, keys=True)

        return Entry(lambda: f"{'Hide' if app.desk.pane is terminal else 'Show'} the {which}", turn)

    def _words_on_findings(self) -> str:
        return "Hide the findings" if self._app.findings_are_open else "Findings"

    def _pause(self) -> None:
        if self._app.going.paused:
            self._app.go_on()
        else:
            self._stand_still()

    def _stand_still(self) -> bool:
        """Have the machine stand; False: it is off, and there is nothing to look at."""
        app = self._app
        if app.going.off:
            app.say("The machine is switched off.")
            return False
        if not app.going.paused:
            app.stand()
        return True

    def _one_instruction(self) -> None:
        """To the next instruction boundary; while a recording is played, as it says."""
        if self._stand_still():
            self._app.advance(1)
            self._app.stand()

    def _one_frame(self) -> None:
        app = self._app
        if app.screen is not None and self._stand_still():
            app.advance(whole(app.screen.frame_cycles))
            app.stand()

    def _ask_moment(self) -> None:
        app = self._app
        if app.going.off:
            app.say("The machine is switched off.")
            return
        asked = f"Run to which moment? {FORMS}. Enter runs, escape does not.\n"
        app.desk.ask(Question(asked, self._run_to, lambda: app.desk.ask(None)))

    def _run_to(self, text: str) -> str:
        app = self._app
        try:
            goal = Goal(app.machine, text)
        except SimkitError as error:
            return "\n".join(filter(None, (error.message, error.remedy)))  # carets do not fit these letters
        app.go_on()
        app.going.aim(goal)
        return ""

    def _look(self) -> None:
        app = self._app
        if app.desk.pane is app.look:
            app.desk.close()
        elif self._stand_still():
            app.look.begin()
            app.look.stand(app.machine)
            app.desk.lay(app.look, keys=True)

    def _take_over(self) -> None:
        self._app.tape.let_go()
        self._app.hand_over("The recording is played no further")

    def _mark(self) -> None:
        journal = self._app.tape.journal
        if journal is None or journal.ended:
            self._app.say("Nothing is recorded any more.")
        else:
            self._app.say(f"Marked: {journal.chapter()}.")

    def _reset(self) -> None:
        self._app.machine.reset()
        self._app.go_on()

    def _power(self) -> None:
        app = self._app
        if not app.going.off:
            app.going.off = True
            return
        app.going.failure = ""
        app.machine.power_cycle()
        app.hands.forget()
        for terminal in app.terminals:
            terminal.forget()
        app.going.off = False
        app.go_on()

    def _turn_speed(self) -> None:
        self._app.pacer.run_at(self._app.pacer.speed.next, self._app.machine.cycle)
        self._app.say_speed()

    def _screenshot(self) -> None:
        app = self._app
        if app.screen is None:
            app.say("This machine has no screen to take a picture of.")
            return
        try:
            path = write_new(names(app.pictures, app.machine), app.screen.png(), what="picture")
        except SimkitError as error:
            app.say(str(error))
            return
        app.say(f"Saved {path}.")

    def _paste(self) -> None:
        app = self._app
        keyboards = app.machine.ports(Keys)
        terminal = next((one for one in app.terminals if one.has_keys or not keyboards), None)
        if not keyboards and terminal is None:
            app.say("This machine has no keyboard to type on.")
            return
        try:
            text = clipboard_text()
            if terminal is not None:
                terminal.send(text)
            else:
                keyboards[0].type(text)
        except SimkitError as error:
            app.say(str(error))
            return
        app.say(f"Typing {len(text)} characters.")

    def _words_on_pads(self) -> str:
        return f"Keys play pads: {'yes' if self._app.hands.key_pads.enabled else 'no'}"

    def _turn_key_pads(self) -> None:
        self._app.hands.key_pads.enabled = not self._app.hands.key_pads.enabled

    def _full_screen(self) -> None:
        try:
            self._app.painter.turn_full_screen()
        except pygame.error as error:
            self._app.say(f"That is not possible here: {error}.")
