"""Timers that keep what they are to forget."""

from simkit.contract import NEVER
from tests.testing.wrong_cards.timer import CONTROL, Timer


class KeepsWhatItReadUntilItIsWritten(Timer):
    """Neither the clock nor the end of the count clears it."""

    told = "made to forget what it keeps for speed"

    def peek(self, offset, cycle):
        if offset not in self.settled:
            self.settled[offset] = super().peek(offset, cycle), NEVER
        return self.settled[offset][0]

    def write(self, offset, value, cycle):
        self.settled.clear()
        super().write(offset, value, cycle)


class KeepsTheStatusUntilItChanges(Timer):
    """Sound: everything that may change the status clears what is kept."""

    def peek(self, offset, cycle):
        if offset != CONTROL:
            return super().peek(offset, cycle)
        if offset not in self.settled:
            self.settled[offset] = super().peek(offset, cycle), NEVER
        return self.settled[offset][0]

    def power_on(self, cycle):
        self.settled.clear()
        super().power_on(cycle)

    def reset(self, asserted, cycle):
        self.settled.clear()
        super().reset(asserted, cycle)

    def read(self, offset, cycle):
        value = super().read(offset, cycle)
        self.settled.clear()
        return value

    def write(self, offset, value, cycle):
        self.settled.clear()
        super().write(offset, value, cycle)

    def event(self, name, cycle):
        self.settled.clear()
        super().event(name, cycle)

    def load(self, state):
        self.settled.clear()
        super().load(state)


class ForgetsTheCount(Timer):
    told = "made to forget what it keeps for speed"

    def forget(self):
        super().forget()
        self.left = 0


class TellsThatItForgets(Timer):
    told = "armed event"

    def forget(self):
        super().forget()
        self.slot.at(1_000_000, "zero")
