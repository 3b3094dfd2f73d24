"""A page's host on this Python, with a clock of its own."""

import json
from itertools import count
from pathlib import Path

import pytest

from simkit.page.host import Host

ROOT = Path(__file__).parents[2]


class Clock:
    """Host time that goes on when it is told to, and a little whenever it is asked."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        self.now += 1e-6
        return self.now


class Bench:
    """A host, driven as the page drives it."""

    def __init__(self, own, machine="demo/marlpit/machine.toml", **facts):
        self.clock = Clock()
        self.host = Host(ROOT, {"machine": machine, **facts}, own, self.clock)

    def ask(self, do, **more):
        return json.loads(self.host.ask(json.dumps({"do": do, **more})))

    def frames(self, number):
        """So many frames of a display with 60 a second; how many brought another picture."""
        changed = 0
        for _ in range(number):
            self.clock.now += 1 / 60
            changed += self.host.frame()
        return changed

    def seconds(self, seconds):
        return self.frames(round(60 * seconds))

    @property
    def machine(self):
        return self.host.machine


@pytest.fixture
def bench(tmp_path):
    numbers = count()
    return lambda *arguments, **facts: Bench(tmp_path / f"own-{next(numbers)}.rec", *arguments, **facts)
