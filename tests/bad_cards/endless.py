"""Cards whose calls do not come back."""

import contextlib
import time
from typing import ClassVar

import attrs

from simkit.contract import Card, Register, setting


@attrs.frozen(kw_only=True)
class Settings:
    nothing: int = setting(0, help="nothing")


class Endless(Card):
    """One register; what a read does differs."""

    kind: ClassVar[str] = "endless"
    Settings: ClassVar[type] = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "status", "r", read_effect="never ends"),)

    def read(self, offset, cycle):
        self.turn_round()
        return 0

    def turn_round(self):
        while True:
            pass


class CallsOthers(Endless):
    def turn_round(self):
        while True:
            self.slot.noise("x", 1)


class CatchesExceptions(Endless):
    def turn_round(self):
        while True:
            with contextlib.suppress(Exception):
                time.sleep(0.001)


class LooksAtItself(Endless):
    """Its own lazy level is asked all the time: the call that does not come back is that of `read`."""

    @classmethod
    def pins(cls, settings):
        from simkit.contract import Drive, PinSpec

        return (PinSpec(name="TONE", drive=Drive.PUSH_PULL),)

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.pin("TONE").lazy_level = lambda cycle: True

    def turn_round(self):
        while True:
            self.slot.pin("TONE").level(0)


class InWords(Endless):
    def read(self, offset, cycle):
        return 0

    def words(self, cycle):
        self.turn_round()


class InEvent(InWords):
    words = Card.words

    def power_on(self, cycle):
        self.slot.at(50, "tick")

    def event(self, name, cycle):
        self.turn_round()


class InInit(InWords):
    words = Card.words

    def __init__(self, settings, slot):
        self.turn_round()


class InWaitCycles(InWords):
    words = Card.words

    def wait_cycles(self, offset, is_write):
        self.turn_round()


class InRegisters(InWords):
    words = Card.words

    @classmethod
    def registers(cls, settings):
        while True:
            pass


INTERRUPTED = (
    Endless,
    CallsOthers,
    CatchesExceptions,
    LooksAtItself,
    InWords,
    InEvent,
    InInit,
    InWaitCycles,
    InRegisters,
)


class CatchesAll(Endless):
    def turn_round(self):
        while True:
            with contextlib.suppress(BaseException):
                time.sleep(0.001)


class Sleeps(Endless):
    def turn_round(self):
        time.sleep(100)


NOT_INTERRUPTED = (CatchesAll, Sleeps)


class Slow(Endless):
    """Takes its time, and comes back."""

    def turn_round(self):
        time.sleep(0.15)
