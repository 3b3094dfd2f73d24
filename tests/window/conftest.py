"""A window driven step by step on SDL's dummy driver: real events of the library, no display."""

import os
import subprocess

import pytest

from simkit import Machine
from simkit.commands.new import write_machine
from simkit.hands.controls import default_controls
from simkit.outside.host_keys import NAME_BY_USAGE

USAGE = {name: usage for usage, name in reversed(NAME_BY_USAGE.items())}


class Clock:
    """Host time that goes on while the loop sleeps, and no further than the test lets it."""

    def __init__(self):
        self.seconds = self.end = 50.0

    def __call__(self):
        return self.seconds

    def sleep(self, seconds):
        self.seconds = min(self.end, self.seconds + max(seconds, 1e-4))


class Bench:
    """An App, and hands to play it with."""

    def __init__(self, machine, folder, reload=None, **options):
        import pygame

        from simkit.window.app import App

        self.pygame = pygame
        self.clock = Clock()
        screens = [card.screen for card in machine.cards.values() if "screen" in card.ports]
        self.app = App(
            machine,
            screens[0] if screens else None,
            default_controls(),
            pictures=folder,
            reload=reload,
            now=self.clock,
            sleep=self.clock.sleep,
            **options,
        )
        self.app.pacer.begin(machine.cycle)

    @property
    def machine(self):
        return self.app.machine

    def ticks(self, number=1):
        """Let so many milliseconds of host time go by."""
        self.clock.end = self.clock.seconds + number / 1000
        while self.clock.seconds < self.clock.end:
            self.app.tick()

    def stall(self, seconds):
        """The host does nothing for us for a while."""
        self.clock.seconds += seconds

    def until(self, condition, ticks=5000):
        for _ in range(ticks):
            if condition():
                return
            self.ticks()
        said, trouble = self.app.notice.text, self.app._files.trouble
        raise AssertionError(f"it did not happen; the window says {said!r}, of its files {trouble!r}")

    def post(self, kind, **fields):
        self.pygame.event.post(self.pygame.event.Event(kind, **fields))

    def down(self, *keys):
        for key in keys:
            self.post(self.pygame.KEYDOWN, scancode=USAGE[key], key=0, mod=0, unicode="")

    def up(self, *keys):
        for key in keys:
            self.post(self.pygame.KEYUP, scancode=USAGE[key], key=0, mod=0)

    def codes(self):
        """What the machine of `simkit new machine` shows of the keyboard, past its self-test."""
        return self.machine.screen.text().split("AA", 1)[1].split()

    def stroke(self, *keys):
        for key in keys:
            self.down(key)
            self.up(key)
        self.ticks()

    def turn_bar(self):
        """Open or close the bar without a key."""
        self.post(self.pygame.MOUSEBUTTONDOWN, button=3, pos=(100, 300))
        self.ticks()

    def choose(self, words):
        """Open the bar, go to the entry, do it."""
        self.turn_bar()
        number = next(n for n, shown in enumerate(self.app.bar.words()) if shown.startswith(words))
        self.stroke(*["right"] * number, "enter")


@pytest.fixture
def display():
    """Name of a display of our own."""
    readable, writable = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(writable), "-screen", "0", "1280x1000x24", "-nolisten", "tcp"],
        pass_fds=[writable],
        stderr=subprocess.DEVNULL,
    )
    os.close(writable)
    with os.fdopen(readable) as told:
        number = told.readline().strip()
    yield f":{number}"
    server.terminate()
    server.wait()


@pytest.fixture
def bench(monkeypatch, tmp_path):
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    made = []

    def make(machine, reload=None, **options):
        made.append(Bench(machine, tmp_path, reload, **options))
        return made[-1]

    yield make
    for one in made[:1]:
        one.pygame.quit()


@pytest.fixture(scope="module")
def hello_state(tmp_path_factory):
    """Folder of the machine of `simkit new machine`, and its state past the keyboard's self-test."""
    folder, _ = write_machine(tmp_path_factory.mktemp("machines") / "hello")
    machine = Machine.load(folder)
    machine.run(screen_text="AA", timeout=2)
    return folder, machine.save_state()


@pytest.fixture
def hello(bench, hello_state):
    """A window on that machine; it shows every code that arrives."""
    folder, state = hello_state
    machine = Machine.load(folder)
    machine.load_state(state)
    return bench(machine)
