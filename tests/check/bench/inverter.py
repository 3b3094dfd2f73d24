"""An inverter, to be joined to itself or not."""

from typing import ClassVar

import attrs

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec


@attrs.frozen(kw_only=True)
class InverterSettings:
    """Nothing can be set."""


class Inverter(Card):
    """OUT is not IN, but for a push in cycle 100."""

    kind: ClassVar[str] = "inverter"
    Settings: ClassVar[type] = InverterSettings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="IN", drive=Drive.INPUT, listens=True), PinSpec(name="OUT", drive=Drive.PUSH_PULL))

    def power_on(self, cycle):
        self.slot.pin("OUT").drive(True, cycle)
        self.slot.at(cycle + 100, "turn")

    def event(self, name, cycle):
        self.slot.pin("OUT").drive(False, cycle)

    def pin_changed(self, name, level, cycle):
        self.slot.pin("OUT").drive(not level, cycle)
