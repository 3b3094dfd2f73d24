"""The window of a machine: runs it in real time, shows it, and hands it what the person does."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pygame

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_new
from simkit.machine.machine import Machine
from simkit.machine.views import Keys, Pads, Screen
from simkit.outside.journal import Journal
from simkit.outside.speed import Speed
from simkit.window.bar import Bar, Entry
from simkit.window.clipboard import clipboard_text
from simkit.window.controls import Controls
from simkit.window.fresh import Fresh, Reload
from simkit.window.hands import Hands
from simkit.window.pacing import DRAWINGS_PER_SECOND, DrawPace, Pacer
from simkit.window.painter import Painter, Words, drawings_per_second
from simkit.window.panel import Panel
from simkit.window.picture_files import names
from simkit.window.tape import Tape
from simkit.window.trouble import ends_the_run, trouble_words

MESSAGE_SECONDS = 5.0
READ_PER_SECOND = 20
"""Characters that a reader takes in; long messages stay longer."""
SHORT_IMAGE = "image-size"
"""Rule broken by an image that ends before the vectors."""
TITLE_SECONDS = 0.5
"""Between two looks at what the title says, and at the files."""


class NoDisplayError(SimkitError):
    """There is no display to open a window on."""


class App:
    """One window, one machine.

    Args:
        machine: switched on.
        screen: the screen to show, or None when the machine has lamps and buttons only.
        controls: which host key and joystick contact is which.
        pictures: folder that screenshots go into.
        speed: how fast machine time goes.
        reload: gives what changed files make; None when nobody watches files.
        tape: what is recorded and played; None: nothing.
        log: gets the whole text of trouble, which the window may have no room for.
        now: host time in seconds.
        sleep: lets so many seconds of the host's time go by.

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
        speed: Speed = Speed.REAL,
        reload: Reload | None = None,
        tape: Tape | None = None,
        log: Callable[[str], None] = lambda text: None,
        now: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        try:
            pygame.display.init()
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self._controls = controls
        self._pictures = pictures
        self._reload = reload
        self._tape = tape or Tape()
        self._log = log
        self._now = now
        self._sleep = sleep
        self._message: Callable[[], str] | str = ""
        self._message_until = self._next_title = 0.0
        self._title = ""
        self._trouble = ""  # with the files
        self._failure = ""  # of the machine
        self._quit = self._paused = self._off = self._told_short = False
        self.machine, self.screen = machine, screen
        self.bar = Bar(self._entries(machine))
        self._panel = Panel(machine)
        try:
            self.painter = Painter(screen.port if screen else None, self._panel)
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self.hands = Hands(machine, controls, self.bar, self._panel, self.painter.entry_at, self.say)
        self.hands.tied = self._tape.playing
        self.pacer = Pacer(machine.description.clock_hz, now, speed)
        self._draw_pace = DrawPace(now, drawings_per_second() or DRAWINGS_PER_SECOND)
        host_key = controls.host_key.title()
        self._say_with_warnings(
            self._tape.greeting(host_key)
            if self._tape.playing
            else f"{host_key} or the right mouse button opens the bar; all other keys are the machine's."
        )
        if self._tape.journal is not None:
            self._tell_too(self._tape.journal)

    def _tell_too(self, journal: Journal) -> None:
        """What a recording has to tell stands in the window as well."""
        tell = journal.tell

        def both(text: str) -> None:
            self.say(text)
            if tell is not None:
                tell(text)

        journal.tell = both

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
        """Once round: what the person did, a slice of machine time and a picture if due; then wait for the next."""
        if self._tape.asked_to_end():
            self._quit = True
            return
        with self._guarded():
            for event in pygame.event.get():
                self._take(event)
            self._run_slice()
        with self._guarded(asked=not self._failure):
            self._draw_if_due()
        if self._now() >= self._next_title:
            self._next_title = self._now() + TITLE_SECONDS
            self._show_title()
            self._look_at_files()
        self._sleep_until_something_is_due()

    @contextmanager
    def _guarded(self, *, asked: bool = True) -> Iterator[None]:
        """While files are watched, a machine that fails is told and stops, and the window waits for better files.

        Args:
            asked: whether the machine has a part in what is done.
        """
        try:
            yield
        except BaseException as error:
            if self._reload is None or not asked or ends_the_run(error):
                raise
            self._failure = f"Stopped, until the files change or you power it on again.\n{trouble_words(error)}"
            self._off = True
            self._log(self._failure)

    @property
    def _goes(self) -> bool:
        return not (self._paused or self._off)

    @property
    def _is_behind(self) -> bool:
        return self._goes and self.pacer.is_behind

    def _run_slice(self) -> None:
        """Run what is due of machine time."""
        if not self._goes:
            return
        # A stroke of some 80 ms must not last long enough in machine time for the keyboard to repeat the key; and a
        # CPU that has halted has nothing to be fast for.
        self.pacer.keep_real(self.hands.keys.typing or bool(self.machine.cpu.halted), self.machine.cycle)
        due = self.pacer.due(self.machine.cycle)
        if due:
            self._advance(due)
            self.pacer.ran(self.machine.cycle)

    def _advance(self, cycles: int) -> None:
        """Run the machine, as a recording says while one is played."""
        tape, cycle = self._tape, self.machine.cycle
        played = tape.playing
        now, ran = tape.run(self.machine, cycles)
        if now is not self.machine:
            self._show(now, self._controls)
        elif now.cycle != cycle + ran:  # switched off and on, or a state was loaded
            self.pacer.begin(now.cycle)
        if played:
            news = tape.news()
            if news:
                self.say(news)
            if not tape.playing:
                self._hand_over("The recording has ended")

    def _hand_over(self, why: str) -> None:
        """The machine is the person's from now on."""
        self.hands.tied = False
        self.bar.change(self._entries(self.machine))
        self.say(" ".join([f"{why}: the machine is yours.", *self._tape.remarks()]))

    def _draw_if_due(self) -> None:
        if self._draw_pace.seconds_until_due(behind=self._is_behind):
            return
        began = self._now()
        self._draw(began)
        self._draw_pace.drawn(began)

    def _sleep_until_something_is_due(self) -> None:
        # A key that comes meanwhile loses nothing: it could not take effect before the next slice.
        seconds = min(self._draw_pace.seconds_until_due(behind=self._is_behind), self._next_title - self._now())
        if self._goes:
            seconds = min(seconds, self.pacer.seconds_until_due(self.machine.cycle))
        if seconds > 0 and not self._quit:
            self._sleep(seconds)

    def _take(self, event: pygame.event.Event) -> None:
        if event.type == pygame.QUIT:
            self._quit = True
        elif event.type == pygame.VIDEORESIZE:
            self.painter.resized()
        elif event.type in (pygame.VIDEOEXPOSE, pygame.WINDOWEXPOSED):
            self.painter.spoiled()
        else:
            self.hands.take(event)

    def _draw(self, now: float) -> None:
        if now >= self._message_until:
            self._message = ""
        self.painter.draw(None if self._failure else self.machine.cycle, self._words(), dark=self._off)

    def _words(self) -> Words:
        return Words(
            entries=tuple(self.bar.words()) if self.bar.is_open else (),
            chosen=self.bar.chosen,
            state=_sentence(self._state() or self.pacer.speed.words) if self.bar.is_open else "",
            message=self._message if isinstance(self._message, str) else self._message(),
            trouble="\n".join(text for text in (self._trouble, self._failure) if text),
        )

    def _state(self) -> str:
        """How the machine goes; empty when there is nothing to say of it."""
        if self._failure:
            return "stopped"
        if self._off:
            return "switched off"
        if self._paused:
            return "paused"
        if self.machine.cpu.halted:
            return f"the CPU {self.machine.cpu.halted}"
        return self.pacer.words(self.machine.description.clock_text)

    def _show_title(self) -> None:
        parts = (self.machine.description.name, self._state(), self._tape.words())
        title = ": ".join(part for part in parts if part)
        if title != self._title:
            self._title = title
            pygame.display.set_caption(title)
        if self._goes and self.pacer.falls_short and not self._message and not self._told_short:
            self._told_short = True
            self._say_speed()

    # files that are watched -------------------------------------------------------------------------------------------

    def _look_at_files(self) -> None:
        if self._reload is None or (self._tape.playing and not self._failure):
            return
        try:
            fresh = self._reload()
            if fresh is not None:
                self._take_fresh(fresh)
        except BaseException as error:
            if ends_the_run(error):
                raise
            self._trouble = f"Not loaded; the machine stays as it was.\n{trouble_words(error)}"
            self._log(self._trouble)

    def _take_fresh(self, fresh: Fresh) -> None:
        """Go on with what was loaded; where that fails all is as before."""
        controls = fresh.controls or self._controls
        if fresh.machine is None:
            self.hands.play(self.machine, controls, self._panel)
            self._controls, self._trouble = controls, ""
            self.say("The controls have changed." if fresh.controls else "The files are as they were loaded.")
            return
        self._refuse_cut_off(fresh.machine)
        self._show(fresh.machine, controls)
        if self._tape.playing:  # to a machine that has failed
            self._tape.let_go()
            self.hands.tied = False
            self.bar.change(self._entries(fresh.machine))
        self._tape.loaded_anew(fresh.machine)
        self._trouble = self._failure = ""
        self._off = False
        self._say_with_warnings("The files have changed: loaded anew and switched on.")

    def _show(self, machine: Machine, controls: Controls) -> None:
        """Go on with another machine; where that fails all is as before."""
        panel, screen = Panel(machine), self._screen_of(machine)
        self.hands.play(machine, controls, panel)
        try:
            self.painter.show(screen.port if screen else None, panel, machine.cycle, self._words())
        except BaseException:
            self.hands.play(self.machine, self._controls, self._panel)
            raise
        self.machine, self.screen, self._panel, self._controls = machine, screen, panel, controls
        self.bar.change(self._entries(machine))
        self.pacer = Pacer(machine.description.clock_hz, self._now, self.pacer.speed)
        self._told_short = False
        self._go_on()

    def _refuse_cut_off(self, machine: Machine) -> None:
        """Take no image that has become shorter than its part: somebody's build was cut off.

        Raises:
            SimkitError: there is one.
        """
        before = {warning.slot for warning in self.machine.warnings if warning.rule == SHORT_IMAGE}
        for warning in machine.warnings:
            if warning.rule == SHORT_IMAGE and warning.slot not in before:
                remedy = "If it shall be so short, close the window and run the machine anew."
                raise SimkitError(warning.message, slot=warning.slot, remedy=remedy)

    def _screen_of(self, machine: Machine) -> Screen | None:
        """The screen to show: in the same slot as before, else the only one; None when there is none.

        Raises:
            SimkitError: there are several others.
        """
        slots = [screen.slot for screen in machine.ports(Screen)]
        if not slots:
            return None
        same = self.screen.slot if self.screen is not None and self.screen.slot in slots else None
        return machine.port(Screen, same, option="--screen")

    # what the bar does ------------------------------------------------------------------------------------------------

    def _entries(self, machine: Machine) -> list[Entry]:
        keys_and_pads = bool(machine.ports(Keys)) and bool(machine.ports(Pads))
        pause = Entry(lambda: "Go on" if self._paused else "Pause", self._pause)
        speed = Entry(lambda: f"Speed: {self.pacer.speed.short_words}", self._turn_speed, closes=False)
        if self._tape.playing:
            return [
                pause,
                Entry(lambda: "Take over", self._take_over),
                Entry(lambda: "Screenshot", self._screenshot),
                speed,
                Entry(lambda: "Window" if self.painter.full_screen else "Full screen", self._full_screen),
                Entry(lambda: "Quit", self._leave),
            ]
        return [
            pause,
            Entry(lambda: "Reset", self._reset),
            Entry(lambda: "Power on" if self._off else "Power off", self._power),
            Entry(lambda: "Screenshot", self._screenshot),
            Entry(lambda: "Paste as typing", self._paste),
            *([Entry(lambda: "Mark a chapter", self._mark)] if self._tape.recording else []),
            speed,
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

    def _take_over(self) -> None:
        self._tape.let_go()
        self._hand_over("The recording is played no further")

    def _mark(self) -> None:
        journal = self._tape.journal
        if journal is None or journal.ended:
            self.say("Nothing is recorded any more.")
        else:
            self.say(f"Marked: {journal.chapter()}.")

    def _reset(self) -> None:
        self.machine.reset()
        self._go_on()

    def _power(self) -> None:
        if not self._off:
            self._off = True
            return
        self._failure = ""
        self.machine.power_cycle()
        self.hands.forget()
        self._off = False
        self._go_on()

    def _turn_speed(self) -> None:
        self.pacer.run_at(self.pacer.speed.next, self.machine.cycle)
        self._told_short = False
        self._say_speed()

    def _say_speed(self) -> None:
        self._message, self._message_until = self._speed_words, self._now() + MESSAGE_SECONDS

    def _speed_words(self) -> str:
        """The speed chosen, and what is reached of it as soon as that is known."""
        return _sentence(self.pacer.words(self.machine.description.clock_text) or self.pacer.speed.words)

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
        try:
            self.painter.turn_full_screen()
        except pygame.error as error:
            self.say(f"That is not possible here: {error}.")

    def _leave(self) -> None:
        self._quit = True


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."
