"""Timers that do not save all that they are, or take back what they should not."""

from tests.testing.wrong_cards.timer import Timer


class ForgetsTheTimeOut(Timer):
    """What the time-out does is chosen by a write and not saved."""

    told = "loaded from its state"
    silent = False

    def write(self, offset, value, cycle):
        super().write(offset, value, cycle)
        self.silent = value > 100

    def event(self, name, cycle):
        super().event(name, cycle)
        if self.silent:
            self.slot.pin("INT").drive(None, cycle)


class SavesNothing(Timer):
    told = "loaded from its state"

    def save(self, cycle):
        return {"left": self.left if not self.running else 0}

    def load(self, state):
        if type(state["left"]) is not int:
            raise ValueError


class LosesAWriteOnLoad(Timer):
    told = "Loading a state does not give it back: state.left"

    def load(self, state):
        super().load(state)
        self.left = 0


class LoadsOnTopOfWhatItHad(Timer):
    """A log that is added to, not replaced."""

    told = "Loading a state does not give it back: state.written"

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.written = b""

    def write(self, offset, value, cycle):
        super().write(offset, value, cycle)
        self.written = (self.written + bytes([value]))[-8:]

    def save(self, cycle):
        return {**super().save(cycle), "written": self.written}

    def load(self, state):
        if not isinstance(state["written"], bytes):
            raise TypeError
        super().load(state)
        self.written = (self.written + state["written"])[-8:]


class KeepsTheListItWasGiven(Timer):
    """Sound as long as nobody else has the list; here to see that the test does not hold it either."""

    told = ""

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.written = []

    def write(self, offset, value, cycle):
        super().write(offset, value, cycle)
        self.written.append(value)
        del self.written[:-8]

    def save(self, cycle):
        return {**super().save(cycle), "written": self.written}

    def load(self, state):
        written = state["written"]
        if not isinstance(written, list) or not all(type(value) is int and 0 <= value < 256 for value in written):
            raise ValueError("bytes written")
        super().load(state)
        self.written = written


class SavesASet(Timer):
    told = "neither a JSON value nor bytes: state.names is a set"

    def save(self, cycle):
        return {**super().save(cycle), "names": {"INT"}}


class SavesNumbersAsKeys(Timer):
    told = "state.pins is a table with a name that is no text"

    def save(self, cycle):
        return {**super().save(cycle), "pins": {1: True}}


class LoadsHalfOfADamagedState(Timer):
    told = "but had changed the card"

    def load(self, state):
        self.left, self.since = int(state["left"]), int(state["since"])
        if not 0 <= self.left <= 0xFF:
            raise ValueError("the count is a byte")
        super().load(state)


class LoadsWithDefaults(Timer):
    told = "load took a state with no since"

    def load(self, state):
        super().load({"since": 0, **state})


class LoadsWhateverComes(Timer):
    told = "load took a state with left 'one'"

    def load(self, state):
        self.left, self.since = state["left"], state["since"]
        self.running, self.done, self.halted = state["flags"]


class LoadBendsTypes(Timer):
    told = "load took a state with left 0.5"

    def load(self, state):
        super().load({**state, "left": int(state["left"])})


class LoadMovesAPin(Timer):
    told = "load moved pin INT"

    def load(self, state):
        super().load(state)
        self.slot.pin("INT").drive(False, self.since)
