"""A card in which nothing is wrong, and the mark of those that are a spoiled form of it."""

from fractions import Fraction
from typing import ClassVar

import attrs

from simkit.contract import Card, Drive, LampsPort, PinSpec, Register, ScreenPort, SerialPort, setting

STATUS, COMMAND, LAMPS, OTHER = range(4)
TICK = 200
"""Cycle of the first event."""


def bad(*words, **known):
    """Mark a class as a bad card.

    Args:
        words: all must be told.
        known: `only`: the engine that finds out; `at`: "class" when the machine cannot be made.
    """

    def mark(cls):
        cls.told, cls.known = words, known
        return cls

    return mark


def spoiled(module, title, /, **members):
    """`Sound` with other members, put among the names of a module as if its class stood there."""
    cls = type(title, (Sound,), members)
    cls.__module__ = module["__name__"]
    module[title] = cls
    return cls


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
