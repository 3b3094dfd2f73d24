"""Cards that are wrong in one way each, as a stranger might write them; each is a file card of a small machine.

`TABLE` holds them all with the words that must be told of them. `Sound` is what they are a spoiled form of.
"""

import asyncio
import threading
from collections import UserString
from fractions import Fraction
from typing import Any, ClassVar

import attrs

from simkit.contract import (
    Card,
    Drive,
    LampsPort,
    PinSpec,
    PlainMemory,
    Register,
    ScreenPort,
    SerialPort,
    SimkitError,
    setting,
)

STATUS, COMMAND, LAMPS, OTHER = range(4)
TICK = 200
"""Cycle of the first event."""

TABLE = []
"""(class, words that must be told, what else is known of it)."""


def bad(*words, **known):
    """Put a class into the table.

    Args:
        words: all must be told.
        known: `only`: the engine that finds out; `at`: "class" when the machine cannot be made.
    """

    def enter(cls):
        TABLE.append((cls, words, known))
        return cls

    return enter


@attrs.frozen(kw_only=True)
class NoSettings:
    nothing: int = setting(0, help="nothing")


class Sound(Card):
    """Four registers, a pin that rings a bell and one that hears it, a request, lamps, a screen and a plug."""

    kind: ClassVar[str] = "sound"
    Settings: ClassVar[type] = NoSettings

    @classmethod
    def registers(cls, settings):
        return (
            Register(STATUS, "status", "r", read_effect="counts"),
            Register(COMMAND, "command", "w", write_effect="counts"),
            Register(LAMPS, "lamps", "w", writes_wait=True),
            Register(OTHER, "other", "r"),
        )

    @classmethod
    def pins(cls, settings):
        return (
            PinSpec(name="INT", drive=Drive.OPEN_DRAIN),
            PinSpec(name="OUT", drive=Drive.PUSH_PULL),
            PinSpec(name="TONE", drive=Drive.PUSH_PULL),
            PinSpec(name="HOLD", drive=Drive.OPEN_DRAIN),
            PinSpec(name="IN", drive=Drive.INPUT, listens=True),
        )

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.count = 0
        self.lamps = 0
        slot.pin("TONE").lazy_level = self.tone
        slot.port(self.screen_port())
        slot.port(LampsPort("lamps", ("left", "right"), self.levels))
        self.plug = slot.port(SerialPort("plug", lambda cycle: 100, lambda cycle: True))

    def screen_port(self):
        return ScreenPort(
            name="screen",
            width=4,
            height=2,
            pixels=self.pixels,
            border=self.border,
            text=self.text,
            palette=((0, 0, 0), (255, 255, 255)),
            margins=(1, 1, 1, 1),
            frame_cycles=Fraction(1000),
            frames=lambda cycle: cycle // 1000,
        )

    def pixels(self, cycle):
        return bytes(8)

    def border(self, cycle):
        return ((0, 0),)

    def text(self, cycle):
        return "sound"

    def levels(self, cycle):
        return (True, False)

    def tone(self, cycle):
        return True  # for ever: one that moves would need its edges, too

    def power_on(self, cycle):
        self.count = self.lamps = 0
        self.slot.at(TICK, "tick")
        self.slot.pin("OUT").drive(True, cycle)

    def event(self, name, cycle):
        out = self.slot.pin("OUT")
        out.drive(not out.value, cycle)
        self.slot.at(cycle + TICK, "tick")

    def peek(self, offset, cycle):
        return self.count & 0xFF

    def read(self, offset, cycle):
        value = self.peek(offset, cycle)
        if offset == STATUS:
            self.count += 1
        return value

    def write(self, offset, value, cycle):
        if offset == LAMPS:
            self.lamps = value
        else:
            self.count += value

    def save(self, cycle):
        return {"count": self.count, "lamps": self.lamps}

    def load(self, state):
        self.count, self.lamps = state["count"], state["lamps"]

    def words(self, cycle):
        return [f"{self.count} counted"]


def raising(name, error, *words, **known):
    """A card one method of which raises, in the table."""

    def method(self, *arguments):
        raise error

    title = f"{name.strip('_').title().replace('_', '')}Raises{type(error).__name__}"
    cls = type(title, (Sound,), {name: method, "__doc__": f"{name} raises."})
    cls.__module__ = __name__
    globals()[title] = cls
    told = f"raised {type(error).__name__}"
    if name == "peek":
        cls.read = lambda self, offset, cycle: 0
    return bad(f": {name} ", told, *words, **known)(cls)


class OwnBase(BaseException):
    pass


class TextRaisesError(Exception):
    def __str__(self):
        raise RuntimeError("no text")


for method in ("power_on", "reset", "event", "read", "write", "pin_changed", "outside", "advance", "words", "save"):
    raising(method, ValueError(f"{method} went wrong"), f"{method} went wrong")
    raising(method, SystemExit(0))
raising("peek", ValueError("x"))
raising("steady_until", ValueError("x"))
raising("wait_cycles", ValueError("x"))
raising("write_late", ValueError("x"), only="core")
raising("load", SystemExit(0))
raising("plain_memory", ValueError("x"), at="class")
raising("rom", SystemExit(0), at="class")
raising("holds_program", SystemExit(0))
raising("__init__", ValueError("x"), at="class")
raising("__init__", SystemExit(0), at="class")
raising("read", GeneratorExit())
raising("read", StopIteration())
raising("read", asyncio.CancelledError())
raising("read", RecursionError())
raising("read", MemoryError())
raising("read", OwnBase("own"), "own")
raising("read", TextRaisesError(), "whose text raises RuntimeError")
raising("read", SimkitError("The program reads nothing here.", remedy="Correct the program."), "Correct the program.")
raising("event", GeneratorExit())
raising("write", SimkitError("The program is wrong."))


@bad("raised KeyError", "…")
class SpeaksForEver(Sound):
    def read(self, offset, cycle):
        raise KeyError("x" * 1_000_000)


@bad(": read in cycle ", "raised RecursionError")
class CallsItself(Sound):
    def read(self, offset, cycle):
        return self.read(offset, cycle)


@bad(": load refused what save had given a moment before: ValueError('no')")
class TakesNothingBack(Sound):
    def load(self, state):
        raise ValueError("no")


# what it gives --------------------------------------------------------------------------------------------------------


class ReprRaises:
    def __repr__(self):
        raise SystemExit(0)


def giving(name, value, *words, suffix, **known):
    """A card one method of which gives a value, in the table."""

    def method(self, *arguments):
        return value

    title = f"{name.title().replace('_', '')}Gives{suffix}"
    cls = type(title, (Sound,), {name: method, "__doc__": f"{name} gives {suffix}."})
    cls.__module__ = __name__
    globals()[title] = cls
    if name == "peek":
        cls.read = lambda self, offset, cycle: 0
    return bad(f": {name} ", *words, **known)(cls)


for suffix, value, told in (
    ("None", None, "gave None"),
    ("MinusOne", -1, "gave -1"),
    ("TooMuch", 256, "gave 256"),
    ("Half", 0.5, "gave 0.5"),
    ("AWholeFloat", 90.0, "gave 90.0"),
    ("AText", "5", "gave '5'"),
    ("WhatHasNoRepr", ReprRaises(), "gave a ReprRaises"),
):
    giving("read", value, told, "which is no byte", "from 0 to 255", suffix=suffix)
giving("peek", None, "gave None, which is no byte", suffix="None")
giving("peek", -1, "gave -1, which is no byte", suffix="MinusOne")
for suffix, value in (
    ("MinusOne", -1),
    ("ForEver", 1 << 40),
    ("Half", 0.5),
    ("None", None),
    ("Infinity", float("inf")),
):
    giving("wait_cycles", value, "which is no delay of an access", suffix=suffix)
for suffix, value in (("Soon", "soon"), ("None", None), ("Half", 0.5), ("NotANumber", float("nan"))):
    giving("steady_until", value, "which is no number of cycles", suffix=suffix)
giving("words", None, "gave None, which is no list of texts", suffix="None")
giving("words", [1], "gave [1], which is no list of texts", suffix="Numbers")
giving("save", [1], "gave [1], which is no table", suffix="AList")
giving("save", {"a": {1, 2}}, "state.a is a set", suffix="ASet")
giving("save", {"a": [0, float("nan")]}, "state.a[1] is a number that JSON does not hold", suffix="NotANumber")
giving("save", {"a": {1: 2}}, "state.a is a table with a name that is no text", suffix="NumbersAsNames")
giving("save", {"a": {"$bytes": 0}}, "stands for bytes", suffix="AFalseBlob")
giving("save", {"a": 1 << 300}, "a whole number of more than 256 bits", suffix="AHugeNumber")
giving("save", {"a": ReprRaises()}, "state.a is a ReprRaises", suffix="AnObject")
giving("plain_memory", [0] * 256, "which is no PlainMemory", suffix="AList", at="class")
giving("plain_memory", PlainMemory(b"", None), "which is no memory", suffix="Nothing", at="class")
giving("plain_memory", PlainMemory(None, memoryview(b"123")), "cannot be written", suffix="ReadOnly", at="class")
giving("rom", "text", "which is no memory", suffix="AText", at="class")
giving("holds_program", "yes", "neither true nor false", suffix="AText")
giving("pixels", b"123", "port 'screen'", "which is no picture of 8 pixels", suffix="TooLittle")
giving("pixels", bytes([0, 1, 2, 0, 0, 0, 0, 0]), "port 'screen'", "a pixel of colour 2", suffix="NoColour")
giving("border", 0, "port 'screen'", "gave 0, which is no border", suffix="AColour")
giving("border", (), "port 'screen'", "gave (), which is no border", suffix="Nothing")
giving("border", (0, 1), "port 'screen'", "gave 0, which is no part of a border", suffix="ABarePair")
giving("border", ((0, 0), (3, "1")), "port 'screen'", "which is no part of a border", suffix="AText")
giving("border", ((0, 2),), "port 'screen'", "a border of colour 2", suffix="NoColour")
giving("border", ((1, 0),), "port 'screen'", "a colour from 1 on", "Here 0 to 0 can stand", suffix="NoBeginning")
giving("border", ((0, 0), (9, 1), (9, 0)), "port 'screen'", "a colour from 9 on", "10 to 23", suffix="TheSamePlace")
giving("border", ((0, 0), (24, 1)), "port 'screen'", "a colour from 24 on", "1 to 23", suffix="BeyondTheEnd")
giving("text", None, "port 'screen'", "gave None, which is no text", suffix="None")
giving("levels", (True,), "port 'lamps'", "which is no row of 2", suffix="TooFew")
giving("tone", 7, "the lazy_level of pin TONE", "which is no level of a pin", suffix="Seven")
for cls, words, _ in TABLE:
    if words[0] in (": pixels ", ": border ", ": text ", ": levels ", ": tone "):
        TABLE[TABLE.index((cls, words, _))] = (cls, words[1:], _)


@bad("state", "which has no end")
class SavesItself(Sound):
    def save(self, cycle):
        state: dict[str, Any] = {}
        state["again"] = state
        return state


@bad("port 'plug'", "has sent 'A'")
class SendsAText(Sound):
    def power_on(self, cycle):
        self.plug.sent.append("A")


@bad("the lazy_level of pin TONE", "raised ZeroDivisionError")
class ToneRaises(Sound):
    def tone(self, cycle):
        return cycle // 0


@bad("port 'screen'", "the pixels of port", "raised SystemExit")
class ScreenExits(Sound):
    def pixels(self, cycle):
        raise SystemExit(0)


# what it says of itself -----------------------------------------------------------------------------------------------


def saying(name, value, *words, suffix):
    """A card whose class says something of itself, in the table."""
    plain = ("kind", "model", "Settings", "title", "faithful_to", "own_phi2", "winning_strobe")
    said = value if name in plain else classmethod(lambda cls, settings: value)
    title = f"Says{name.title().replace('_', '')}{suffix}"
    cls = type(title, (Sound,), {name: said, "__doc__": f"{name} says {suffix}."})
    cls.__module__ = __name__
    globals()[title] = cls
    return bad(*words, at="class")(cls)


saying("registers", None, "registers gave None", suffix="None")
saying("registers", [1], "registers gave 1, which is no Register", suffix="Numbers")
saying("registers", (Register("0", "a", "r"),), "offset = '0'", suffix="AnOffsetThatIsAText")
saying("registers", (Register(0, "a", "r", driven=512),), "driven = 512", suffix="TooManyBits")
saying("pins", "INT", "pins gave 'INT'", suffix="AText")
saying("pins", (PinSpec(name="A", drive=Drive.INPUT),) * 2, "two pins called 'A'", suffix="ANameTwice")
saying("address_pins", -1, "address_pins gave -1", suffix="MinusOne")
saying("address_pins", "three", "address_pins gave 'three'", suffix="AText")
saying("image_size", -5, "image_size gave -5", suffix="MinusFive")
saying("kind", 5, "has kind = 5", suffix="ANumber")
saying("model", "new", "has model = 'new'", suffix="AText")
saying("title", 7, "has title = 7", suffix="ANumber")
saying("own_phi2", "yes", "has own_phi2 = 'yes'", suffix="AText")
saying("winning_strobe", "OE", "has winning_strobe = 'OE'", suffix="APin")
saying("Settings", object, "has Settings = ", suffix="NoSettings")


@bad("registers raised ZeroDivisionError", at="class")
class RegistersRaise(Sound):
    @classmethod
    def registers(cls, settings):
        return (Register(1 // 0, "a", "r"),)


@bad("registers raised SystemExit", at="class")
class RegistersExit(Sound):
    @classmethod
    def registers(cls, settings):
        raise SystemExit(0)


@bad("registers raised SimkitError: Register 'a' has write_effect", "Leave write_effect out", at="class")
class HasAnEffectThatCannotBe(Sound):
    @classmethod
    def registers(cls, settings):
        return (Register(0, "a", "r", write_effect="rings"),)


@attrs.frozen(kw_only=True)
class SettingsThatRaise:
    divisor: int = setting(0, help="a divisor")

    def __attrs_post_init__(self):
        1 // self.divisor


@bad("Settings raised ZeroDivisionError", at="class")
class HasSettingsThatRaise(Sound):
    Settings = SettingsThatRaise


@bad("has a __del__", at="class")
class ClearsUp(Sound):
    def __del__(self):
        raise SystemExit(0)


@bad("__init__ raised", "raised AttributeError", at="class")
class ForgetsTheBase(Sound):
    def __init__(self, settings, slot):
        self.slot.pin("INT")


@bad("__init__", "asked for its pin 'INTT'", "Did you mean 'INT'", at="class")
class WantsAPinThatIsNotThere(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.pin("INTT")


@bad("__init__", "opened 5, which is no port", at="class")
class OpensANumber(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.port(5)


@bad("power_on", "opened port 'late' when it was made already")
class OpensAPortLate(Sound):
    def power_on(self, cycle):
        self.slot.port(LampsPort("late", ("a",), self.levels))


@bad("opened port 'screen' with frame_cycles = Fraction(0, 1)", at="class")
class HasFramesWithoutLength(Sound):
    def screen_port(self):
        port = super().screen_port()
        port.frame_cycles = Fraction(0)
        return port


@bad("opened port 'screen' with pixels = None", at="class")
class HasNoPicture(Sound):
    def screen_port(self):
        port = super().screen_port()
        port.pixels = None
        return port


@bad("__init__", "asked for -1 bytes of memory", at="class")
class WantsNegativeMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.memory(-1)


@bad("__init__", "bytes of memory", at="class")
class WantsAllMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.memory(1 << 50)


# when it acts ---------------------------------------------------------------------------------------------------------


def arming(cycle, *words, suffix, name="again"):
    """A card that arms an event in a write, in the table; `cycle` is worked out from that of the write."""

    def write(self, offset, value, now):
        if offset == COMMAND:
            self.slot.at(cycle(now), name)

    title = f"Arms{suffix}"
    cls = type(title, (Sound,), {"write": write, "__doc__": f"Arms {suffix}."})
    cls.__module__ = __name__
    globals()[title] = cls
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
    """A card that drives a pin to a value, in the table."""

    def event(self, name, cycle):
        self.slot.pin("OUT").drive(value, cycle)

    title = f"Drives{suffix}"
    cls = type(title, (Sound,), {"event": event, "__doc__": f"Drives {suffix}."})
    cls.__module__ = __name__
    globals()[title] = cls
    return bad(": event in cycle 200", *words, "True (high), False (low) or None")(cls)


driving(7, "drove pin OUT to 7", suffix="Seven")
driving("high", "drove pin OUT to 'high'", suffix="AText")
driving(0, "drove pin OUT to 0", suffix="Zero")


def moving(name, *words, result=None):
    """A card that moves a pin in a method that only asks, in the table."""

    def method(self, *arguments):
        out = self.slot.pin("OUT")
        out.drive(not out.value, 0 if name == "wait_cycles" else arguments[-1])
        return getattr(Sound, name)(self, *arguments) if result is None else result

    title = f"Moves{name.title().replace('_', '')}"
    cls = type(title, (Sound,), {name: method, "__doc__": f"Moves a pin in {name}."})
    cls.__module__ = __name__
    globals()[title] = cls
    return bad(f": {name} ", "moved pin OUT while it was only asked", *words)(cls)


for method in ("peek", "save", "advance", "words", "steady_until", "wait_cycles"):
    moving(method)


@bad("moved pin OUT while the machine was put together", at="class")
class MovesInRegisters(Sound):
    last: ClassVar[Any] = None

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        type(self).last = self

    @classmethod
    def registers(cls, settings):
        if cls.last is not None:
            cls.last.slot.pin("OUT").drive(False, 0)
        return super().registers(settings)


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
    cls = type(title, (Sound,), {"write": write, "__doc__": f"Reports {suffix}."})
    cls.__module__ = __name__
    globals()[title] = cls
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


# what it does to itself -----------------------------------------------------------------------------------------------


@bad(": read ", "raised TypeError")
class ThrowsAMethodAway(Sound):
    def event(self, name, cycle):
        self.read = None


@bad(": read ", "raised SystemExit")
class ReplacesAMethod(Sound):
    def event(self, name, cycle):
        def leave(offset, cycle):
            raise SystemExit(0)

        self.read = leave


@bad(": write ", "raised BufferError")
class ChangesTheSizeOfItsMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.memory = bytearray(256)

    def plain_memory(self):
        return PlainMemory(self.memory, None)

    def write(self, offset, value, cycle):
        self.memory.extend(bytes(256))


@bad(": write ", "raised ValueError", "released memoryview")
class LetsGoOfItsMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.memory = slot.memory(256)

    def plain_memory(self):
        return PlainMemory(self.memory, None)

    def write(self, offset, value, cycle):
        self.memory.release()
        self.memory[0] = value


@bad(": read ", "raised SystemExit")
class CannotBeLookedAt(Sound):
    def __getattribute__(self, name):
        if name == "read":
            raise SystemExit(0)
        return super().__getattribute__(name)


@bad("raised SystemExit", at="class")
class IsEqualToNothing(Sound):
    """Compared with a set of its own, so that Python asks for its hash."""

    def __hash__(self):
        raise SystemExit(0)

    def plain_memory(self):
        return {self: 1}


@bad("the lazy_level of pin TONE in cycle 200 raised ZeroDivisionError")
class SwallowsAFailure(Sound):
    """What one part of it raises the other catches: the failure is told all the same."""

    def tone(self, cycle):
        return cycle // 0

    def event(self, name, cycle):
        try:
            self.slot.pin("TONE").level(cycle)
        except Exception:  # noqa: BLE001 - that is what is wrong with it
            super().event(name, cycle)
