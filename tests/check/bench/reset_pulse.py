"""A push button with a one-shot behind it that pulls RESET for a set number of cycles, once."""

from typing import ClassVar

import attrs

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.settings import setting


@attrs.frozen(kw_only=True)
class PulseSettings:
    """How long the one-shot is."""

    cycles: int = setting(1, low=1, high=1000, unit="cycles", help="length of the pulse")


class ResetPulse(Card):
    """Q is low from cycle 2000 on."""

    kind: ClassVar[str] = "reset-pulse"
    Settings: ClassVar[type] = PulseSettings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="Q", drive=Drive.OPEN_DRAIN),)

    def power_on(self, cycle):
        self.slot.at(2000, "fall")

    def event(self, name, cycle):
        self.slot.pin("Q").drive(name == "rise", cycle)
        if name == "fall":
            self.slot.at(cycle + self.settings.cycles, "rise")
