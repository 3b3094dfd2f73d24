"""The window of a machine: runs it in real time, shows it, and hands it what the person does."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pygame

from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.hands.bar_key import bar_key_words, how_to_open
from simkit.hands.controls import Controls
from simkit.hands.found import Found, count_words, list_lines
from simkit.hands.pacing import DRAWINGS_PER_SECOND, DrawPace, Pacer
from simkit.hands.pads import words_on_both
from simkit.hands.tape import Tape
from simkit.machine.again import Again
from simkit.machine.machine import Machine
from simkit.machine.told import digits
from simkit.machine.views import Screen, Serial
from simkit.outside.journal import Journal
from simkit.outside.speed import AnySpeed, Speed
from simkit.window.bar import Bar
from simkit.window.deeds import Deeds
from simkit.window.desk import Desk
from simkit.window.foot import Foot
from simkit.window.fresh import Reload
from simkit.window.going import Going
from simkit.window.hands import Hands
from simkit.window.look import Look
from simkit.window.lost import Lost
from simkit.window.notice import MOST_TEXTS, Notice
from simkit.window.painter import Painter, Words, drawings_per_second
from simkit.window.panel import Panel
from simkit.window.reading import Reading
from simkit.window.terminal import Terminal
from simkit.window.trouble import ends_the_run
from simkit.window.watched import WatchedFiles

TITLE_SECONDS = 0.5
"""Between two looks at what the title says, and at the files."""


class NoDisplayError(SimkitError):
    """There is no display to open a window on."""


class App:
    """One window, one machine.

    Args:
        machine: switched on.
        screen: the screen to show, or None when the machine has lamps and buttons only.
        controls: which key and joystick contact is which.
        pictures: folder that screenshots go into.
        speed: how fast machine time goes.
        reload: gives what changed files make; None when nobody watches files.
        tape: what is recorded and played; None: nothing.
        log: gets the whole text of trouble, which the window may have no room for.
        again: of the machine, when it has run already.
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
        speed: AnySpeed = Speed.REAL,
        reload: Reload | None = None,
        tape: Tape | None = None,
        log: Callable[[str], None] = lambda text: None,
        again: Again | None = None,
        now: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        try:
            pygame.display.init()
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self.controls = controls
        self.tape = tape or Tape()
        self.going = Going()
        self.notice = Notice(now)
        self._files = WatchedFiles(self, reload, log)
        self._now = now
        self._sleep = sleep
        self._next_title = 0.0
        self._title = ""
        self._quit = self._told_short = False
        self.machine, self.screen = machine, screen
        self.pictures = pictures
        self.terminals = self._terminals_of(machine, screen)
        self._deeds = Deeds(self)
        self.bar = Bar(self._deeds.entries())
        self._panel = Panel(machine)
        try:
            self.painter = Painter(screen.port if screen else None, self._panel, self._in_its_place)
        except pygame.error as error:
            raise NoDisplayError(f"No window can be opened here: {error}.") from error
        self.desk = Desk(self.painter, self.open_findings)
        self._found = Found(machine)
        self._lost = Lost(again or Again(machine), now)
        self._findings = Reading("Findings since power-on")
        self.look = Look()
        self.hands = Hands(machine, controls, self.bar, self.desk, self._panel, self.painter.entry_at, self.say, now)
        self.hands.tied = self.tape.playing
        self._give_keys()
        self.pacer = Pacer(machine.description.clock_hz, now, speed)
        self._draw_pace = DrawPace(now, drawings_per_second() or DRAWINGS_PER_SECOND)
        self.say_with_warnings(
            self.tape.greeting(bar_key_words(controls.bar_key)) if self.tape.playing else how_to_open(controls.bar_key),
            words_on_both(machine, controls),
        )
        if self.tape.journal is not None:
            self._tell_too(self.tape.journal)

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
        self.notice.say(text)

    def say_with_warnings(self, text: str, on_keys: str = "") -> None:
        """Show a line, and what is wrong with the machine's wiring and images, a line each as far as there is room.

        Args:
            text: the line.
            on_keys: what is to be known of its keys.
        """
        machine = self.machine
        said = filter(None, (*(one.message for one in machine.warnings), *machine.notes, on_keys))
        notes = [f"Note: {plain(note)}" for note in said]
        most = MOST_TEXTS - 1
        if len(notes) > most:
            notes[most - 1 :] = [f"{len(notes) - most + 1} more notes stand in the terminal."]
        self.say("\n".join([text, *notes]))

    def say_speed(self) -> None:
        """Show the speed chosen, and what is reached of it as soon as that is known."""
        self._told_short = False
        self.notice.keep_saying(
            lambda: _sentence(self.pacer.words(self.machine.description.clock_text) or self.pacer.speed.words)
        )

    # the loop ---------------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Run until the window is closed."""
        self.pacer.begin(self.machine.cycle)
        try:
            while not self._quit:
                self.tick()
        finally:
            pygame.display.quit()

    def leave(self) -> None:
        """Close the window."""
        self._quit = True

    def tick(self) -> None:
        """Once round: what the person did, a slice of machine time and a picture if due; then wait for the next."""
        if self.tape.asked_to_end():
            self._quit = True
            return
        with self._guarded():
            for event in pygame.event.get():
                self._take(event)
            self.hands.look_at_edge()
            self._run_slice()
            self._lost.go_on()
            self._tell_findings()
        with self._guarded(asked=not self.going.failure):
            self._draw_if_due()
        if self._now() >= self._next_title:
            self._next_title = self._now() + TITLE_SECONDS
            self._show_title()
            self._lost.look()
            self._refresh()
            self._files.look()
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
            if not self._files.watching or not asked or ends_the_run(error):
                raise
            self._files.failed(error)

    @property
    def _is_behind(self) -> bool:
        return self.going.on and self.pacer.is_behind

    def _run_slice(self) -> None:
        """Run what is due of machine time."""
        if not self.going.on:
            return
        # A stroke of some 80 ms must not last long enough in machine time for the keyboard to repeat the key; and a
        # CPU that has halted has nothing to be fast for.
        self.pacer.keep_real(self.hands.keys.typing or bool(self.machine.cpu.halted), self.machine.cycle)
        due = self.pacer.due(self.machine.cycle)
        if due:
            goal = self.going.goal
            if goal is not None and goal.cycle is not None:
                due = max(1, min(due, goal.cycle - self.machine.cycle))
            self.advance(due)
            self.pacer.ran(self.machine.cycle)
            reached = goal is not None and goal.cycle is not None and self.machine.cycle >= goal.cycle
            if reached and self.going.goal is goal:
                self.stand()

    def advance(self, cycles: int) -> None:
        """Run the machine, as a recording says while one is played."""
        tape, cycle = self.tape, self.machine.cycle
        played = tape.playing
        if not played:
            for terminal in self.terminals:
                terminal.feed(cycle + cycles)
        now, ran = tape.run(self.machine, cycles)
        if now is not self.machine:
            self.show(now, self.controls)
        elif now.cycle != cycle + ran:  # switched off and on, or a state was loaded
            self.pacer.begin(now.cycle)
        if played:
            news = tape.news()
            if news:
                self.say(news)
            if not tape.playing:
                self.hand_over("The recording has ended")

    def _draw_if_due(self) -> None:
        if self._draw_pace.seconds_until_due(behind=self._is_behind):
            return
        began = self._now()
        cycle = None if self.going.failure else self.machine.cycle
        if cycle is not None:
            for terminal in self.terminals:
                terminal.catch_up()
        self.painter.draw(cycle, self._words(), self.desk.pane, dark=self.going.off)
        self._draw_pace.drawn(began)

    def _sleep_until_something_is_due(self) -> None:
        # A key that comes meanwhile loses nothing: it could not take effect before the next slice.
        seconds = min(self._draw_pace.seconds_until_due(behind=self._is_behind), self._next_title - self._now())
        if self.going.on:
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

    def _words(self) -> Words:
        return Words(
            entries=tuple(self.bar.words()) if self.bar.is_open else (),
            chosen=self.bar.chosen,
            foot=self._foot(),
            question=self.desk.question.words if self.desk.question is not None else "",
            message=self.notice.text,
            trouble="\n".join(text for text in (self._files.trouble, self.going.failure) if text),
        )

    def _state(self) -> str:
        """How the machine goes; empty when there is nothing to say of it."""
        held = self.going.words(self.machine.cpu.halted)
        return held or self.pacer.words(self.machine.description.clock_text)

    def _foot(self) -> Foot:
        state = self._state() or self.pacer.speed.words
        if self.going.paused and not self.going.off:
            machine = self.machine
            state = state.replace("paused", f"paused at {machine.seconds:.6f} s, cycle {digits(machine.cycle)}", 1)
        state = ", ".join(part for part in (state, self.tape.words()) if part)
        count, number = count_words(self.machine), len(self.machine.findings.counts())
        if self._lost.leaving is not None:
            count, number = f"Left its code; {count[0].lower()}{count[1:]}", number + 1
        return Foot(_sentence(state), count, number)

    # findings ---------------------------------------------------------------------------------------------------------

    def _tell_findings(self) -> None:
        for text in (*self._found.news(), *self._lost.news()):
            self.notice.add(text)

    @property
    def findings_are_open(self) -> bool:
        """Whether their list lies beside the picture."""
        return self.desk.pane is self._findings

    def open_findings(self) -> None:
        """Open the list of findings, or close it when it is open."""
        if self.findings_are_open:
            self.desk.close()
            return
        self._findings.begin()
        self.desk.lay(self._findings, keys=True)
        self._refresh()

    def _refresh(self) -> None:
        """Bring what is read up to date; more often than twice a second nobody could follow."""
        if self.findings_are_open:
            self._findings.put(list_lines(self.machine, *self._lost.lines()))

    def _show_title(self) -> None:
        parts = (self.machine.description.name, self._state(), self.tape.words())
        title = ": ".join(part for part in parts if part)
        if title != self._title:
            self._title = title
            pygame.display.set_caption(title)
        if self.going.on and self.pacer.falls_short and not self.notice.text and not self._told_short:
            self.say_speed()
            self._told_short = True

    # another machine, other controls ----------------------------------------------------------------------------------

    def show(self, machine: Machine, controls: Controls) -> None:
        """Go on with another machine; where that fails all is as before."""
        panel, screen = Panel(machine), self._screen_of(machine)
        terminals, before = self._terminals_of(machine, screen), self.terminals
        self.hands.play(machine, controls, panel)
        try:
            self.terminals = terminals
            instead = self._in_its_place
            self.painter.show(screen.port if screen else None, panel, machine.cycle, self._words(), instead)
        except BaseException:
            self.terminals = before
            self.hands.play(self.machine, self.controls, self._panel)
            raise
        if self.desk.pane is not self._findings:
            self.desk.close()
        self.machine, self.screen, self._panel, self.controls = machine, screen, panel, controls
        self.bar.change(self._deeds.entries())
        self.pacer = Pacer(machine.description.clock_hz, self._now, self.pacer.speed)
        self._told_short = False
        self._found.play(machine)
        self._lost.play(machine)
        self._give_keys()
        self.go_on()

    def _terminals_of(self, machine: Machine, screen: Screen | None) -> list[Terminal]:
        """A terminal for each serial line; the first stands in the place of a picture where there is none."""
        found = [Terminal(machine, serial, lambda: not self.hands.tied) for serial in machine.ports(Serial)]
        if screen is None and found:
            found[0].closes = False
        return found

    @property
    def _in_its_place(self) -> Terminal | None:
        return next((terminal for terminal in self.terminals if not terminal.closes), None)

    def _give_keys(self) -> None:
        """A machine whose only face is a terminal gets what is typed there."""
        if self._in_its_place is not None:
            self.desk.give_keys(self._in_its_place)

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

    def play_with(self, controls: Controls) -> None:
        """Other keys and joystick contacts stand for the same buttons.

        Raises:
            SimkitError: they name a button that the pads do not have; nothing has changed.
        """
        self.hands.play(self.machine, controls, self._panel)
        self.controls = controls

    def go_on(self) -> None:
        """Machine time goes by again, from here, and on and on."""
        self.going.paused = False
        self.going.aim(None)
        if self.desk.pane is self.look:
            self.desk.close()
        self.pacer.begin(self.machine.cycle)

    def stand(self) -> None:
        """Machine time stands, and what the machine holds lies beside the picture."""
        self.going.paused = True
        self.going.aim(None)
        self.look.stand(self.machine)
        self.desk.lay(self.look, keys=False)

    def hand_over(self, why: str) -> None:
        """The recording plays no more, and that is told: the machine is the person's from now on."""
        self.release()
        self.say(" ".join([f"{why}: the machine is yours.", *self.tape.remarks()]))

    def release(self) -> None:
        """Hands and bar are the person's."""
        self.hands.tied = False
        self.bar.change(self._deeds.entries())


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."
