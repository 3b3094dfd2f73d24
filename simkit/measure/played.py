"""Programs that builders burn first, played on Marlpit: what hands do meanwhile, and when, drawn by a seed.

A fault is noticed by one of these programs, or it is not. No two hands press a key in the same moment, so the times
are drawn anew for each seed; which keys and buttons, and in which order, stays.
"""

from __future__ import annotations

import random
from fractions import Fraction

import attrs

from simkit.machine.machine import Machine


@attrs.frozen(kw_only=True)
class Press:
    """Buttons of a pad, held for a while.

    Attributes:
        pad: number of the pad.
        buttons: their names.
        at: when they go down, in seconds of machine time.
        held: for how long.
    """

    pad: int
    buttons: tuple[str, ...]
    at: float
    held: float


@attrs.frozen(kw_only=True)
class Played:
    """A program and the hands at it.

    Attributes:
        name: what tables call it.
        machine: whose ROM holds it.
        seconds: machine time for which it runs.
        text: what is typed, begun at `typed_at` or when the keyboard is ready.
        typed_at: in seconds.
        presses: at the pads.
        early: by how many seconds a hand may come earlier or later than said here.
    """

    name: str
    machine: str
    seconds: Fraction
    text: str = ""
    typed_at: float = 0.0
    presses: tuple[Press, ...] = ()
    early: float = 0.02

    def cycles(self, machine: Machine) -> int:
        """How many cycles of a machine it runs."""
        return int(self.seconds * machine.description.clock_hz)

    def put_hands_on(self, machine: Machine, seed: int) -> None:
        """Queue what the hands do, at times drawn by the seed; the machine has not run yet."""
        drawn = random.Random(f"hands {self.name} {seed}")
        hertz = machine.description.clock_hz

        def cycle(seconds: float) -> int:
            return max(0, int((seconds + drawn.uniform(-self.early, self.early)) * hertz))

        for press in self.presses:
            down = cycle(press.at)
            machine.pads[press.pad].press(*press.buttons, at=down)
            machine.pads[press.pad].release(*press.buttons, at=down + int(press.held * hertz))
        if self.text:
            machine.keys.type(self.text, at=cycle(self.typed_at))


PLAYED = {
    played.name: played
    for played in (
        Played(
            name="keyboard-test",
            machine="demo:keyboard-test",
            seconds=Fraction(12, 10),
            text="Slug 7\b\n",
            typed_at=0.55,
        ),
        Played(
            name="pad-test",
            machine="demo:pad-test",
            seconds=Fraction(7, 10),
            presses=(
                Press(pad=1, buttons=("a", "up"), at=0.15, held=0.06),
                Press(pad=2, buttons=("b", "start"), at=0.25, held=0.06),
                Press(pad=1, buttons=("left", "select"), at=0.36, held=0.06),
                Press(pad=2, buttons=("right", "down"), at=0.46, held=0.06),
                Press(pad=1, buttons=("right",), at=0.58, held=0.5),
            ),
        ),
        Played(
            name="video-test-card",
            machine="demo:video-test-card",
            seconds=Fraction(12, 10),
            presses=tuple(Press(pad=1, buttons=("start",), at=at, held=0.07) for at in (0.2, 0.42, 0.64, 0.86, 1.08)),
        ),
        Played(
            name="slug-watch",
            machine="demo:marlpit",
            seconds=Fraction(14, 10),
            presses=(
                Press(pad=1, buttons=("start",), at=0.45, held=0.06),
                Press(pad=2, buttons=("start",), at=0.7, held=0.06),
                Press(pad=1, buttons=("up", "left"), at=0.85, held=0.15),
                Press(pad=2, buttons=("right", "a"), at=0.95, held=0.2),
                Press(pad=1, buttons=("down", "a"), at=1.15, held=0.1),
            ),
            text="a",
            typed_at=0.6,
        ),
    )
}
"""By name; the search never sees the seed with which one is played."""
