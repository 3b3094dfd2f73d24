"""Timers that promise what they do not keep: `steady_until`."""

from simkit.contract import NEVER
from tests.testing.wrong_cards.timer import CONTROL, COUNT, DONE, Timer


class PromisesACountForEver(Timer):
    told = "'count' was promised to stay"

    def steady_until(self, offset, cycle):
        return NEVER if offset == COUNT else super().steady_until(offset, cycle)


class PromisesOneStepTooMany(Timer):
    told = "'count' was promised to stay"

    def steady_until(self, offset, cycle):
        if offset != COUNT or not self.running or self.halted:
            return super().steady_until(offset, cycle)
        return cycle - (cycle - self.since) % self.settings.step + self.settings.step + 1


class PromisesAReadThatAcknowledges(Timer):
    told = "a read of it then moved a pin"

    def peek(self, offset, cycle):
        return super().peek(offset, cycle) & ~DONE

    def steady_until(self, offset, cycle):
        return (self.slot.armed("zero") or NEVER) if offset == CONTROL else cycle


class PromisesAReadThatStartsSomething(Timer):
    told = "a read of it then armed or cancelled an event"

    def read(self, offset, cycle):
        if offset == CONTROL and self.running and not self.halted:
            self.slot.at(cycle + 5_000, "watchdog")
        return super().read(offset, cycle)

    def event(self, name, cycle):
        if name == "zero":
            super().event(name, cycle)


class PromisesACountedRead(Timer):
    """The number of reads shows in nothing but the state."""

    told = "left another state than one read at the end: state.reads"

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.reads = 0

    def read(self, offset, cycle):
        if offset == CONTROL:
            self.reads += 1
        return super().read(offset, cycle)

    def save(self, cycle):
        return {**super().save(cycle), "reads": self.reads}

    def load(self, state):
        reads = state["reads"]
        if type(reads) is not int or not 0 <= reads < NEVER:
            raise ValueError("reads are counted")
        super().load(state)
        self.reads = reads


class ForgetsThatTheClockMovesAnOutput(Timer):
    """A register that shows a pin which the card moves by itself."""

    told = "'control' was promised to stay"

    def steady_until(self, offset, cycle):
        return NEVER if offset == CONTROL and not self.done else cycle

    def peek(self, offset, cycle):
        if offset == CONTROL:
            return DONE if self.done or (self.running and not self.halted and self.count(cycle) < 3) else 0
        return super().peek(offset, cycle)


class GivesNoCycle(Timer):
    told = "gave None, which is no number of cycles"

    def steady_until(self, offset, cycle):
        return None
