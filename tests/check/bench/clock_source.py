"""Eight clocks from a crystal of its own, for the shift register of a 6522."""

from fractions import Fraction
from typing import ClassVar

import attrs

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec


@attrs.frozen(kw_only=True)
class ClockSettings:
    """Nothing can be set."""


class ClockSource(Card):
    """CLK falls and rises eight times, 99.7 kHz."""

    kind: ClassVar[str] = "clock-source"
    Settings: ClassVar[type] = ClockSettings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="CLK", drive=Drive.PUSH_PULL),)

    def power_on(self, cycle):
        self.crystal = self.slot.crystal(Fraction(199_400))
        self.edges = 0
        self.slot.pin("CLK").drive(True, cycle)
        self.first = self.crystal.ticks_at(200) + 1
        self.slot.at(self.crystal.first_cycle_at(self.first), "edge")

    def event(self, name, cycle):
        self.slot.pin("CLK").drive(bool(self.edges & 1), cycle)
        self.edges += 1
        if self.edges < 16:
            self.slot.at(self.crystal.first_cycle_at(self.first + self.edges), "edge")

    def save(self, cycle):
        return {"edges": self.edges}

    def load(self, state):
        self.edges = state["edges"]
