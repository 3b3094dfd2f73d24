"""The random script of the contract test: what is done to a card, when, and the running of it."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

import attrs

from simkit.contract.card import Card
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, Port, SerialPort
from simkit.testing.contract.seen import Save
from simkit.testing.contract.witness import WitnessBench

LONGEST_WAIT = 2_000_000
"""Cycles up to which a script waits for the next event of the card."""
TAIL_EVENTS = 300
"""Events for which the end of a script waits at most."""
LAST_EVENTS = 20_000
"""Events for which a name that has not come yet is waited for, once a script."""
TAIL_CYCLES = 100_000_000
"""Cycles for which the end of a script waits at most: more than a minute and a half at 1 MHz."""
START_APART = 20
"""Cycles between the bytes written first."""
AGAIN = 0.4
"""Share of accesses that go to the register of the access before, as a program's do."""
MOST_WAIT_CYCLES = 1_000
"""An access is delayed by no more than this."""


Start = Sequence[tuple[int, int]]
"""Bytes that a driver writes first, as (offset, byte)."""


@attrs.frozen
class Step:
    """One thing done to a card.

    Attributes:
        cycle: when.
        action: read, write, pull, reset, or an action of a port.
        where: offset, pin, or port.
        value: byte, level, cycles of the reset, or arguments of the action.
    """

    cycle: int
    action: str
    where: Any = None
    value: Any = None


def wishes(bench: WitnessBench, rng: random.Random) -> list[Step]:
    """Everything that should happen once: each register read and written, each pin moved, each action of a port."""
    found = [Step(0, action, offset) for offset in bench.some_offsets() for action in ("read", "write")]
    found += [Step(0, "pull", pin, level) for pin in bench.joined_pins for level in (True, False, None)]
    for name, port in sorted(bench.connector.ports.items()):
        kinds = dict(inputs(port, rng))
        found += [Step(0, action, name, arguments) for action, arguments in kinds.items()]
    found.append(Step(0, "reset", None, rng.randrange(1, 9)))
    rng.shuffle(found)
    return found


def inputs(port: Port, rng: random.Random) -> list[tuple[str, tuple[Any, ...]]]:
    """What can happen at a port, as (action, arguments); of many keys some."""
    if isinstance(port, KeysPort):
        keys = rng.sample(port.keys, min(8, len(port.keys)))
        return [(action, (key,)) for key in keys for action in ("press", "release")]
    if isinstance(port, PadsPort):
        return [
            *((a, (n, b)) for n in port.numbers for b in port.buttons for a in ("press", "release")),
            *((action, (n,)) for n in port.numbers for action in ("unplug", "plug")),
        ]
    if isinstance(port, SerialPort):
        spoiled = [("receive", (rng.randrange(256), word)) for word in ("parity", "framing")]
        return [*(("receive", (byte,)) for byte in (0x00, 0x41, 0xFF)), *spoiled]
    if isinstance(port, ButtonsPort):
        return [(action, (label,)) for label in port.labels for action in ("press", "release")]
    return []


class Recorder:
    """Makes a script up while a bench runs it, so that accesses fall where the card has something to do.

    Args:
        bench: a fresh one.
        rng: chance.
        steps: length of the script; what `wishes` wants comes on top.
        start: bytes to write first, as (offset, byte).
        saves: states to take on the way.

    Attributes:
        script: the steps done.
        saves: the states taken.
    """

    def __init__(self, bench: WitnessBench, rng: random.Random, steps: int, start: Start, saves: int) -> None:
        self.script: list[Step] = []
        self.saves: list[Save] = []
        self._bench = bench
        self._rng = rng
        self._inputs = [
            (name, *entry) for name, port in sorted(bench.connector.ports.items()) for entry in inputs(port, rng)
        ]
        wanted = wishes(bench, rng)
        length = steps + len(wanted)
        every = max(1, length // saves)
        bench.run(3)
        for offset, value in start:
            self._do(Step(bench.cycle + START_APART, "write", offset, value))
        for number in range(length):
            wish = rng.random() < len(wanted) / (length - number)
            self._do(self._timed(wanted.pop() if wish else self._any()))
            if number % every == every - 1 and number < length - 1:
                self._save()

    def _do(self, step: Step) -> None:
        self.script.append(step)
        do(self._bench, step)

    def _save(self) -> None:
        bench = self._bench
        bench.run(1)  # a state is that of a cycle's start
        state = {**bench.save(), "card": bench.state()}
        self.saves.append(Save(len(self.script), bench.cycle, len(bench.log), state))

    def _any(self) -> Step:
        rng, bench = self._rng, self._bench
        last = self.script[-1] if self.script else None
        if last is not None and last.action in ("read", "write") and rng.random() < AGAIN:
            return last
        action = rng.choices(("read", "write", "pull", "port", "reset"), (8, 12, 4, 4, 0.2))[0]
        if action == "pull" and bench.joined_pins:
            return Step(0, "pull", rng.choice(bench.joined_pins), rng.choice((True, False, None)))
        if action == "port" and self._inputs:
            name, action, arguments = rng.choice(self._inputs)
            return Step(0, action, name, arguments)
        if action == "reset":
            return Step(0, "reset", None, rng.randrange(1, 9))
        return Step(0, "read" if action == "read" else "write", rng.randrange(bench.offsets))

    def _timed(self, step: Step) -> Step:
        rng, bench = self._rng, self._bench
        cycle = bench.cycle + rng.choice((0, 0, 1, 1, 2, 3, 7, 30, 200, rng.randrange(1, 3_000)))
        wait = bench.horizon - bench.cycle
        if wait <= LONGEST_WAIT and rng.random() < 0.3:  # just before, in and just after the cycle of an event
            cycle = max(bench.cycle, bench.horizon + rng.choice((-2, -1, 0, 1, 2, 40)))
        value = step.value
        if step.action == "write":
            value = rng.choice((0, 0xFF, rng.randrange(256), rng.randrange(256), 1 << rng.randrange(8)))
        if step.action not in ("read", "write", "pull"):
            cycle = max(cycle, bench.next_start)  # what comes from outside comes as a cycle begins
        return attrs.evolve(step, cycle=cycle, value=value)


def do(bench: WitnessBench, step: Step) -> None:
    """Do one step on a bench and write down what is seen."""
    bench.run_to(step.cycle)
    if step.action in ("read", "write"):
        if type(bench.card).wait_cycles is not Card.wait_cycles:
            bench.begin()
            waits = bench.wait_cycles(step.where, step.action == "write")
            bench.saw("waits", step.where, waits)
            bench.run(max(0, min(waits, MOST_WAIT_CYCLES)))
        if step.action == "write":
            bench.write(step.where, step.value)
        else:
            cycle = bench.cycle
            bench.log.append(("read", cycle, step.where, bench.read(step.where)))
    elif step.action == "pull":
        bench.pull(step.where, step.value)
    elif step.action == "reset":
        bench.reset(step.value)
    else:
        bench.outside(step.where, step.action, *step.value)
        bench.begin()
    bench.note_sent()
    if step.action != "write":
        bench.saw("levels", tuple(bench.pin_levels().items()))


def replay(bench: WitnessBench, script: list[Step]) -> None:
    """Run a script to its end and to the card's last event."""
    for step in script:
        do(bench, step)
    run_out(bench)


def run_out(bench: WitnessBench, between: Callable[[int], None] | None = None, *, events: int = TAIL_EVENTS) -> None:
    """Let time pass until every event armed has come, within bounds.

    Args:
        bench: the bench.
        between: called with the cycle of the next event, to let time pass up to it.
        events: most events to wait for.
    """
    end = bench.cycle + TAIL_CYCLES
    looked_at = len(bench.log)
    came: set[str] = set()
    bench.begin()
    for _ in range(events):
        came |= {seen[2] for seen in bench.log[looked_at:] if seen[0] == "event"}
        looked_at = len(bench.log)
        if bench.horizon > end or came.issuperset(bench.armed_now):
            break
        if between is not None:
            between(bench.horizon)
        bench.run_to(bench.horizon)
        bench.begin()
        bench.note_sent()
    bench.run(1)
    bench.begin()
