"""Timers whose pins and events go wrong."""

from simkit.contract import Drive, PinSpec
from tests.testing.wrong_cards.timer import Timer


class FailsWhenAPinMoves(Timer):
    told = "KeyError: 'LATCH'"

    def pin_changed(self, name, level, cycle):
        _ = {"STOP": 1}["LATCH"]


class FailsWhenASystemLineMoves(Timer):
    """Listens to the machine's RESET line beside being told of it."""

    told = "KeyError: 'RESET'"

    @classmethod
    def pins(cls, settings):
        return (*super().pins(settings), PinSpec(name="RESET", drive=Drive.INPUT, listens=True))

    def pin_changed(self, name, level, cycle):
        if name == "RESET":
            raise KeyError(name)
        super().pin_changed(name, level, cycle)


class FailsBehindManyEvents(Timer):
    """A call that comes only after thousands of others."""

    told = "ZeroDivisionError"

    def power_on(self, cycle):
        super().power_on(cycle)
        self.slot.at(1_000_000, "burn-out")
        self.slot.at(cycle + 100, "tick")

    def event(self, name, cycle):
        if name == "tick":
            self.slot.at(cycle + 100, "tick")
        elif name == "burn-out":
            _ = 1 // 0
        else:
            super().event(name, cycle)


class FailsAtTheTimeOut(Timer):
    """The step is so long that no short script gets there."""

    told = "ZeroDivisionError"

    def go_on(self, left, cycle):
        super().go_on(left, cycle)
        if self.running and not self.halted:
            self.slot.at(cycle + 9_000_000, "burn-out")

    def event(self, name, cycle):
        if name == "burn-out":
            _ = 1 // 0
        super().event(name, cycle)


class DrivesInAnotherCycle(Timer):
    told = "moved pin INT as if in cycle"

    def event(self, name, cycle):
        super().event(name, cycle - 1)


class NeverEnds(Timer):
    told = "armed again and again"

    def event(self, name, cycle):
        super().event(name, cycle)
        self.slot.at(cycle, name)


class MovesByTheClockOnlyWhenAsked(Timer):
    """An output that follows the count has a `lazy_level` and no edges for those who follow it."""

    told = "whose lines"

    @classmethod
    def pins(cls, settings):
        return (*super().pins(settings), PinSpec(name="HALF", drive=Drive.PUSH_PULL))

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.pin("HALF").lazy_level = lambda cycle: self.count(cycle) < 0x80
