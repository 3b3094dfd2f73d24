"""Bad cards that act when they must not, or in a way that cannot be."""

import threading
from collections import UserString
from typing import Any, ClassVar

from simkit.contract import SimkitError
from tests.bad_cards.kinds.sound import COMMAND, LAMPS, Sound, bad, spoiled


def arming(cycle, *words, suffix, name="again"):
    """A card that arms an event in a write; `cycle` is worked out from that of the write."""

    def write(self, offset, value, now):
        if offset == COMMAND:
            self.slot.at(cycle(now), name)

    title = f"Arms{suffix}"
    cls = spoiled(globals(), title, __doc__=f"Arms {suffix}.", write=write)
    return bad(": write in cycle ", *words)(cls)


arming(lambda now: None, "for cycle None, which is no whole number", suffix="None")
arming(lambda now: now + 0.5, "which is no whole number", suffix="HalfACycle")
arming(lambda now: float("nan"), "for cycle nan, which is no whole number", suffix="NotANumber")
arming(lambda now: "soon", "for cycle 'soon', which is no whole number", suffix="AText")
arming(lambda now: now - 1, "which is over", suffix="ThePast")
arming(lambda now: -5, "for cycle -5, which does not exist", suffix="BeforeTheBeginning")
arming(lambda now: 1 << 70, "which does not exist", suffix="BeyondAllTime")
arming(lambda now: now + 9, "armed an event called None", suffix="NoName", name=None)
arming(lambda now: now + 9, "armed an event called", suffix="AUserString", name=UserString("tick"))


@bad("event 'tick'", "armed again and again for the cycle in which it happens", "Arm it for a later one")
class NeverLetsTheCycleEnd(Sound):
    def event(self, name, cycle):
        self.slot.at(cycle, name)


@bad("armed again and again for the cycle in which it happens")
class PlaysBall(Sound):
    def event(self, name, cycle):
        self.slot.at(cycle, "tock" if name == "tick" else "tick")


@bad(": event in cycle 200 armed", "calls were pending")
class ArmsWithoutEnd(Sound):
    def event(self, name, cycle):
        for number in range(1 << 20):
            self.slot.at(cycle + 1000, f"call {number}")


def driving(value, *words, suffix):
    """A card that drives a pin to a value."""

    def event(self, name, cycle):
        self.slot.pin("OUT").drive(value, cycle)

    title = f"Drives{suffix}"
    cls = spoiled(globals(), title, __doc__=f"Drives {suffix}.", event=event)
    return bad(": event in cycle 200", *words, "True (high), False (low) or None")(cls)


driving(7, "drove pin OUT to 7", suffix="Seven")
driving("high", "drove pin OUT to 'high'", suffix="AText")
driving(0, "drove pin OUT to 0", suffix="Zero")


def moving(name, *words, result=None):
    """A card that moves a pin in a method that only asks."""

    def method(self, *arguments):
        out = self.slot.pin("OUT")
        out.drive(not out.value, 0 if name == "wait_cycles" else arguments[-1])
        return getattr(Sound, name)(self, *arguments) if result is None else result

    title = f"Moves{name.title().replace('_', '')}"
    cls = spoiled(globals(), title, __doc__=f"Moves a pin in {name}.", **{name: method})
    return bad(f": {name} ", "moved pin OUT while it was only asked", *words)(cls)


for method in ("peek", "save", "advance", "words", "steady_until", "wait_cycles"):
    moving(method)


@bad("__init__ moved pin OUT while the machine was put together", at="class")
class MovesAnotherOfItsClass(Sound):
    """The first one is made to see what memory it wants."""

    first: ClassVar[Any] = None

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        if self.first is not None:
            self.first.slot.pin("OUT").drive(False, 0)
        type(self).first = self


@bad(": event in cycle 200 moved pin OUT as if in cycle 300", "It is cycle 200")
class MovesInAnotherCycle(Sound):
    def event(self, name, cycle):
        self.slot.pin("OUT").drive(False, cycle + 100)


@bad("drove pin OUT in cycle None")
class MovesInNoCycle(Sound):
    def event(self, name, cycle):
        self.slot.pin("OUT").drive(False, None)


@bad("its own code moved pin OUT while nobody had called it, from another thread", "Leave threads out")
class HasAThread(Sound):
    """It moves a pin while the machine stands; what that raises there, the thread swallows."""

    def words(self, cycle):
        thread = threading.Thread(target=self.work, args=(cycle,))
        thread.start()
        thread.join()
        return super().words(cycle)

    def work(self, cycle):
        out = self.slot.pin("OUT")
        try:
            out.drive(not out.value, cycle)
        except SimkitError:
            self.count += 1


@bad(": peek ", "armed the event 'later'", "while it was only asked")
class ArmsInPeek(Sound):
    def peek(self, offset, cycle):
        self.slot.at(cycle + 9, "later")
        return 0

    def read(self, offset, cycle):
        return 0


@bad(": save ", "cancelled the event 'tick' while it was only asked")
class CancelsInSave(Sound):
    def save(self, cycle):
        self.slot.cancel("tick")
        return super().save(cycle)


@bad(": peek ", "reported 'looked-at' while it was only asked")
class ReportsInPeek(Sound):
    def peek(self, offset, cycle):
        self.slot.report("looked-at", cycle, "Somebody looked.")
        return 0

    def read(self, offset, cycle):
        return 0


@bad(": words ", "announced that its memory had changed while it was only asked")
class AnnouncesInWords(Sound):
    def words(self, cycle):
        self.slot.changed(0, 1)
        return []


def reporting(*what, words, suffix):
    def write(self, offset, value, cycle):
        if offset == COMMAND:
            self.slot.report(*what)

    title = f"Reports{suffix}"
    cls = spoiled(globals(), title, __doc__=f"Reports {suffix}.", write=write)
    return bad(": write in cycle ", words)(cls)


reporting(5, 1, "x", words="reported the rule 5", suffix="ANumber")
reporting("rule", None, "x", words="reported 'rule' in cycle None", suffix="NoCycle")
reporting("rule", 1, None, words="reported the message None", suffix="NoMessage")


@bad("the 4097th rule")
class ReportsRulesWithoutEnd(Sound):
    def write(self, offset, value, cycle):
        for number in range(10_000):
            self.slot.report(f"rule-{number}", cycle, "Once more.")


@bad(": write in cycle ", "moved pin OUT in a write that may wait", "writes_wait")
class MovesInAWriteThatMayWait(Sound):
    def write(self, offset, value, cycle):
        if offset == LAMPS:
            out = self.slot.pin("OUT")
            out.drive(not out.value, cycle)


@bad(": write in cycle ", "announced that memory changed from 'a' to None")
class AnnouncesATextAsAPlace(Sound):
    def write(self, offset, value, cycle):
        self.slot.changed("a", None)


@bad("pin HOLD", "has held RDY low for 65536 cycles", "let go of RDY")
class HoldsTheCpuForEver(Sound):
    def power_on(self, cycle):
        pass

    def write(self, offset, value, cycle):
        self.slot.pin("HOLD").drive(False, cycle)
