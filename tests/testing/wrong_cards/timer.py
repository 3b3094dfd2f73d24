"""A sound card: a timer. The wrong ones are this or the store, spoiled.

`told` holds the words that the refusal must have; where it is empty the card is sound after all.
"""

from typing import Any, ClassVar

import attrs

from simkit.contract import NEVER, Card, Drive, PinSpec, Register, setting

COUNT, CONTROL = 0, 1
RUNNING, DONE = 0x01, 0x80


@attrs.frozen(kw_only=True)
class TimerSettings:
    step: int = setting(1_000, unit="cycles", low=1, high=100_000, help="time between two counts")


class Timer(Card):
    """Sound: counts down from the byte written to it, pulls INT at zero; STOP low holds the count."""

    kind: ClassVar[str] = "timer"
    Settings: ClassVar[type] = TimerSettings
    told: ClassVar[str] = ""

    @classmethod
    def registers(cls, settings):
        return (
            Register(COUNT, "count", "rw", write_effect="starts the count"),
            Register(CONTROL, "control", "r", driven=RUNNING | DONE, read_effect="clears DONE and lets INT go"),
        )

    @classmethod
    def pins(cls, settings):
        return (
            PinSpec(name="INT", drive=Drive.OPEN_DRAIN),
            PinSpec(name="STOP", drive=Drive.INPUT, listens=True),
        )

    def __init__(self, settings: Any, slot: Any) -> None:
        super().__init__(settings, slot)
        self.left = self.since = 0
        self.running = self.done = self.halted = False

    def count(self, cycle):
        if self.halted or not self.running:
            return self.left
        return max(0, self.left - (cycle - self.since) // self.settings.step)

    def go_on(self, left, cycle):
        self.left, self.since = left, cycle
        self.slot.cancel("zero")
        if self.running and not self.halted:
            self.slot.at(cycle + max(1, left * self.settings.step), "zero")

    def power_on(self, cycle):
        self.halted = not self.slot.pin("STOP").level(cycle)
        self.reset(True, cycle)

    def reset(self, asserted, cycle):
        if asserted:
            self.running = self.done = False
            self.go_on(0, cycle)
            self.slot.pin("INT").drive(None, cycle)

    def peek(self, offset, cycle):
        if offset == COUNT:
            return self.count(cycle)
        return (RUNNING if self.running else 0) | (DONE if self.done else 0)

    def read(self, offset, cycle):
        value = self.peek(offset, cycle)
        if offset == CONTROL and self.done:
            self.done = False
            self.slot.pin("INT").drive(None, cycle)
        return value

    def write(self, offset, value, cycle):
        if offset != COUNT:
            self.slot.report("timer-read-only", cycle, f"${value:02X} was stored in control, which only reads.")
            return
        self.running, self.done = True, False
        self.go_on(value, cycle)
        self.slot.pin("INT").drive(None, cycle)

    def event(self, name, cycle):
        self.left, self.running, self.done = 0, False, True
        self.slot.pin("INT").drive(False, cycle)

    def pin_changed(self, name, level, cycle):
        left = self.count(cycle)
        self.halted = not level
        self.go_on(left, cycle)

    def steady_until(self, offset, cycle):
        if offset == CONTROL and not self.done:
            return self.slot.armed("zero") or NEVER
        return cycle

    def save(self, cycle):
        flags = [self.running, self.done, self.halted]
        return {"left": self.left, "since": self.since, "flags": flags}

    def load(self, state):
        left, since, (running, done, halted) = state["left"], state["since"], state["flags"]
        if not (type(left) is type(since) is int and 0 <= left <= 0xFF and 0 <= since < NEVER):
            raise ValueError("the count is a byte, since is a cycle")
        if not all(isinstance(flag, bool) for flag in (running, done, halted)):
            raise ValueError("flags are true or false")
        self.left, self.since = left, since
        self.running, self.done, self.halted = running, done, halted

    def words(self, cycle):
        return [f"{self.count(cycle)} to go"]
