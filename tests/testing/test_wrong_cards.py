"""Cards that are wrong in one way each: the contract test refuses every one, and says why.

Two sound cards come first, a timer and a memory; the others are one of them, spoiled. `told` holds the words that the
refusal must have; where it is empty the card is sound after all.
"""

import itertools
import random
from typing import Any, ClassVar

import attrs
import pytest

from simkit.contract import NEVER, Card, Drive, PinSpec, PlainMemory, Port, Register, setting
from simkit.testing.contract import check_contract, together

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


# steady_until ---------------------------------------------------------------------------------------------------------


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


# questions that change something --------------------------------------------------------------------------------------


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


# what the register table says ----------------------------------------------------------------------------------------


class DrivesBitsItDoesNotName(Timer):
    told = "bit 3 moves in peek, but by its `driven` mask"

    def peek(self, offset, cycle):
        value = super().peek(offset, cycle)
        return value | 8 if offset == CONTROL and self.running else value


class GivesMoreThanAByte(Timer):
    told = "gave 256, which is no byte"

    def peek(self, offset, cycle):
        return self.left + 256 if offset == COUNT else super().peek(offset, cycle)


class SaysThatAReadDoesNothing(Timer):
    told = "Register 'control' has no read_effect, but a read"

    @classmethod
    def registers(cls, settings):
        count, control = super().registers(settings)
        return count, attrs.evolve(control, read_effect="")


class SaysThatAWriteDoesNothing(Timer):
    told = "Register 'count' has no write_effect, but a write of the byte it holds"

    @classmethod
    def registers(cls, settings):
        count, control = super().registers(settings)
        return attrs.evolve(count, write_effect=""), control


class SaysThatWritesMayWait(Timer):
    told = "in a write that may wait"

    @classmethod
    def registers(cls, settings):
        count, control = super().registers(settings)
        return attrs.evolve(count, writes_wait=True), control


class LooksAtTheBusInAWriteThatMayWait(Timer):
    """A register whose writes may wait, and whose card takes what was on the data lines before: it is told that."""

    told = ""

    @classmethod
    def registers(cls, settings):
        return (*super().registers(settings), Register(2, "mark", "w", writes_wait=True))

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.mark = 0

    def peek(self, offset, cycle):
        return self.mark if offset == 2 else super().peek(offset, cycle)

    def write(self, offset, value, cycle):
        if offset == 2:
            self.mark = value ^ self.slot.data_before
        else:
            super().write(offset, value, cycle)

    def save(self, cycle):
        return {**super().save(cycle), "mark": self.mark}

    def load(self, state):
        mark = state["mark"]
        if type(mark) is not int or not 0 <= mark <= 0xFF:
            raise ValueError("a mark is a byte")
        super().load(state)
        self.mark = mark


class TwoRegistersAtOneOffset(Timer):
    told = "Two registers share offset 0, access 'r'"

    @classmethod
    def registers(cls, settings):
        return (*super().registers(settings), Register(COUNT, "again", "r"))


class HasNoKind(Card):
    told: ClassVar[str] = "no `kind`"


class RaisesWhenMade(Timer):
    told = "__init__ raised TypeError"

    def __init__(self, settings, slot):
        super().__init__(settings)


# what it is not given -------------------------------------------------------------------------------------------------


class TakesChanceOfItsOwn(Timer):
    told = "what it is not given"

    def write(self, offset, value, cycle):
        super().write(offset, random.randrange(256), cycle)


class KeepsSomethingInTheClass(Timer):
    told = "what it is not given"
    writes = itertools.count()

    def write(self, offset, value, cycle):
        super().write(offset, (value + next(self.writes)) & 0xFF, cycle)


# save and load --------------------------------------------------------------------------------------------------------


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


# pins, events, memory -------------------------------------------------------------------------------------------------


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


@attrs.frozen(kw_only=True)
class StoreSettings:
    size: int = setting(256, unit="bytes", help="size")


class Store(Card):
    """Sound: plain memory."""

    kind: ClassVar[str] = "store"
    Settings: ClassVar[type] = StoreSettings
    told: ClassVar[str] = ""

    @classmethod
    def address_pins(cls, settings):
        return 8

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="CLEAR", drive=Drive.INPUT, listens=True),)

    def __init__(self, settings: Any, slot: Any) -> None:
        super().__init__(settings, slot)
        self.memory = bytearray(256)

    def peek(self, offset, cycle):
        return self.memory[offset]

    def write(self, offset, value, cycle):
        self.memory[offset] = value

    def pin_changed(self, name, level, cycle):
        if not level:
            self.memory[:] = bytes(256)
            self.slot.changed(0, 256)

    def plain_memory(self):
        return PlainMemory(self.memory, self.memory)

    def save(self, cycle):
        return {"memory": bytes(self.memory)}

    def load(self, state):
        memory = state["memory"]
        if not isinstance(memory, bytes) or len(memory) != 256:
            raise ValueError("256 bytes")
        self.memory[:] = memory
        self.slot.changed(0, 256)


class GivesANewBuffer(Store):
    told = "another buffer than before"

    def plain_memory(self):
        return PlainMemory(bytearray(self.memory), self.memory)


class ClearsMemoryInSilence(Store):
    told = "changed without `slot.changed`"

    def pin_changed(self, name, level, cycle):
        if not level:
            self.memory[:] = bytes(256)


class WritesOtherThanTheBuffer(Store):
    told = "do something else than `write`"

    def write(self, offset, value, cycle):
        self.memory[offset] = value & 0x7F


class PeeksOtherThanTheBuffer(Store):
    told = "peek gives"

    def peek(self, offset, cycle):
        return self.memory[offset] & 0xF0


# forget ---------------------------------------------------------------------------------------------------------------


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


# the test ------------------------------------------------------------------------------------------------------------


def family(*bases):
    """Some classes and every class below them."""
    for base in bases:
        yield base
        yield from family(*base.__subclasses__())


CARDS = [*family(Timer, Store), HasNoKind]
SOUND = [card for card in CARDS if not card.told]
WRONG = [card for card in CARDS if card.told]


@pytest.mark.parametrize("card", WRONG, ids=lambda card: card.__name__)
def test_a_wrong_card_is_refused_with_its_reason(card):
    problems = check_contract(card, steps=30).problems
    assert any(card.told in problem for problem in problems), problems


@pytest.mark.parametrize("card", SOUND, ids=lambda card: card.__name__)
def test_a_sound_card_is_not_refused(card):
    report = check_contract(card, steps=50)
    assert report.problems == ()
    assert report.not_exercised == ()


@pytest.mark.slow
@pytest.mark.parametrize("card", WRONG, ids=lambda card: card.__name__)
def test_a_wrong_card_is_refused_by_one_of_any_five_scripts(card):
    """A script is chance: some faults half of them miss. The command runs five."""
    told = [any(card.told in text for text in check_contract(card, seed=seed).problems) for seed in range(2, 10)]
    assert all(any(told[first : first + 5]) for first in range(len(told) - 4)), told


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 10))
def test_sound_cards_are_not_refused_whatever_the_script(seed):
    for card in SOUND:
        assert check_contract(card, seed=seed).problems == ()


# what was not exercised -----------------------------------------------------------------------------------------------


class ListensToNothing(Timer):
    """Its `pin_changed` has a fault that no machine can reach: the pin is not declared as one that listens."""

    @classmethod
    def pins(cls, settings):
        return tuple(attrs.evolve(pin, listens=False) for pin in super().pins(settings))

    def pin_changed(self, name, level, cycle):
        raise KeyError(name)


class ArmsNothing(Timer):
    def go_on(self, left, cycle):
        self.left, self.since = left, cycle

    def write(self, offset, value, cycle):
        self.left = value


class PromisesNothing(Timer):
    def steady_until(self, offset, cycle):
        return cycle


class WaitsTooLong(Timer):
    """Arms a call that comes only after a year."""

    def go_on(self, left, cycle):
        super().go_on(left, cycle)
        self.slot.at(cycle + 31_536_000 * 1_000_000, "birthday")


class NeverMovesItsPin(Timer):
    @classmethod
    def pins(cls, settings):
        return (*super().pins(settings), PinSpec(name="SPARE", drive=Drive.OPEN_DRAIN))


class DelaysNothing(Timer):
    def wait_cycles(self, offset, is_write):
        return 0


class TakesNothingFromOutside(Timer):
    def outside(self, port, action, arguments, cycle):
        raise KeyError(port)


class HasAPortOfItsOwn(Timer):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.port(Port("plotter"))


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (ListensToNothing, "pin_changed (no pin listens)"),
        (ArmsNothing, "event (nothing was armed)"),
        (PromisesNothing, "steady_until (it promised nothing)"),
        (WaitsTooLong, "event 'birthday' (armed, but not due in 100000000 cycles or 20000 events)"),
        (NeverMovesItsPin, "pin SPARE (the card never moved it)"),
        (DelaysNothing, "wait_cycles (it delayed no access)"),
        (TakesNothingFromOutside, "outside (no port takes anything)"),
        (HasAPortOfItsOwn, "port 'plotter' (a Port, a kind that the test does not know)"),
    ],
)
def test_what_no_script_could_try_is_told_and_is_no_problem(card, words):
    report = check_contract(card, steps=50)
    assert report.problems == ()
    assert words in report.not_exercised


def test_several_reports_tell_as_missed_what_none_of_them_exercised():
    timer, deaf = check_contract(Timer, steps=20), check_contract(ListensToNothing, steps=20)
    assert together([timer, deaf]).not_exercised == timer.not_exercised
    assert together([deaf, deaf]).not_exercised == deaf.not_exercised
    assert together([timer, deaf]).promises["peek"] == timer.promises["peek"] + deaf.promises["peek"]
