"""Timers in which a question changes something."""

from tests.testing.wrong_cards.timer import CONTROL, COUNT, Timer


class PeekShowsAfterTheTimeOut(Timer):
    """A peek lengthens the count that begins after the next time-out; nothing saved tells."""

    told = "asked in between behaves otherwise"
    peeked = False

    def peek(self, offset, cycle):
        self.peeked = self.peeked or (offset == COUNT and self.running)
        return super().peek(offset, cycle)

    def event(self, name, cycle):
        super().event(name, cycle)
        if self.peeked and self.left == 0:
            self.peeked = False
            self.slot.report("timer-looked-at", cycle, "Somebody looked.")


class PeekClears(Timer):
    told = "peek changed the state"

    def peek(self, offset, cycle):
        value = super().peek(offset, cycle)
        if offset == CONTROL:
            self.done = False
        return value


class PeekMovesAPin(Timer):
    told = "moved pin INT while it was only asked"

    def peek(self, offset, cycle):
        if offset == CONTROL:
            self.slot.pin("INT").drive(False if self.done else None, cycle)
            self.slot.pin("INT").drive(None, cycle)
        return super().peek(offset, cycle)

    def save(self, cycle):
        return super().save(cycle)


class PeekReports(Timer):
    told = "reported 'timer-looked-at' while it was only asked"

    def peek(self, offset, cycle):
        if offset == CONTROL and self.done:
            self.slot.report("timer-looked-at", cycle, "Somebody looked.")
        return super().peek(offset, cycle)


class AskingMovesAPin(Timer):
    """The time-out comes when somebody asks, not in an event."""

    told = "moved pin INT"

    def go_on(self, left, cycle):
        self.left, self.since = left, cycle

    def advance(self, cycle):
        if self.running and not self.halted and self.count(cycle) == 0:
            self.event("zero", cycle)

    def peek(self, offset, cycle):
        self.advance(cycle)
        return super().peek(offset, cycle)

    def steady_until(self, offset, cycle):
        return cycle


class AdvanceCounts(Timer):
    told = "advance changed the state"

    def advance(self, cycle):
        self.since += 1


class AdvanceArms(Timer):
    told = "advance armed event 'look'"

    def advance(self, cycle):
        if self.running:
            self.slot.at(cycle + 100, "look")

    def event(self, name, cycle):
        if name == "zero":
            super().event(name, cycle)


class WordsMoveAPin(Timer):
    told = "words moved pin INT"

    def words(self, cycle):
        self.slot.pin("INT").value = False
        return super().words(cycle)


class SaveMovesAPin(Timer):
    told = "moved pin INT while it was only asked"

    def save(self, cycle):
        if self.done:
            self.slot.pin("INT").drive(None, cycle)
        return super().save(cycle)


class WaitsChangeTheState(Timer):
    told = "wait_cycles changed the state"

    def wait_cycles(self, offset, is_write):
        self.left = (self.left + 1) & 0xFF if not self.running else self.left
        return 1


class WaitsDependOnTheLastQuestion(Timer):
    """Delays by what was peeked at last, which nothing saves."""

    told = "behaves otherwise"
    last = 0

    def peek(self, offset, cycle):
        self.last = offset
        return super().peek(offset, cycle)

    def wait_cycles(self, offset, is_write):
        return 2 if self.last == offset else 0


class CountsHowOftenItIsAsked(Timer):
    told = "Asked twice"
    asked = 0

    def words(self, cycle):
        self.asked += 1
        return [f"asked {self.asked} times"]


class SavesWhenItWasLastAsked(Timer):
    told = "asked"
    asked = 0

    def advance(self, cycle):
        self.asked = cycle

    def save(self, cycle):
        return {**super().save(cycle), "asked": self.asked}

    def load(self, state):
        super().load(state)
        self.asked = state["asked"]


class ReadsOtherThanPeek(Timer):
    told = "peek said"

    def read(self, offset, cycle):
        return super().read(offset, cycle) ^ 1
