"""A card for the rule ROMs: registers with and without read effects, one that can only be written, an interrupt."""

from typing import Any, ClassVar

import attrs

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import Register

STATUS, DATA, OUTPUT, ACKNOWLEDGE, PERIOD = range(5)


@attrs.frozen(kw_only=True)
class BenchSettings:
    """Nothing can be set."""


class BenchCard(Card):
    """Timer with an interrupt, a byte of memory, a row of lamps."""

    kind: ClassVar[str] = "bench"
    Settings: ClassVar[type] = BenchSettings

    @classmethod
    def registers(cls, settings):
        return (
            Register(STATUS, "status", "r", bits=(*[""] * 7, "OVER"), read_effect="clears OVER and INT"),
            Register(DATA, "data", "rw"),
            Register(OUTPUT, "output", "w"),
            Register(ACKNOWLEDGE, "acknowledge", "w", write_effect="clears OVER and INT"),
            Register(PERIOD, "period", "w", write_effect="starts the timer"),
        )

    @classmethod
    def address_pins(cls, settings):
        return 3

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="INT", drive=Drive.OPEN_DRAIN),)

    def power_on(self, cycle):
        self.byte = self.period = 0
        self.over = False

    def peek(self, offset, cycle):
        return {STATUS: 0x80 if self.over else 0, DATA: self.byte}.get(offset, 0xFF)

    def read(self, offset, cycle):
        value = self.peek(offset, cycle)
        if offset == STATUS:
            self._clear(cycle)
        return value

    def write(self, offset, value, cycle):
        if offset == DATA:
            self.byte = value
        elif offset == ACKNOWLEDGE:
            self._clear(cycle)
        elif offset == PERIOD:
            self.period = value * 16
            self.slot.cancel("over")
            if value:
                self.slot.at(cycle + self.period, "over")

    def _clear(self, cycle):
        self.over = False
        self.slot.pin("INT").drive(None, cycle)

    def event(self, name, cycle):
        self.over = True
        self.slot.pin("INT").drive(False, cycle)
        self.slot.at(cycle + self.period, "over")

    def save(self, cycle):
        return {"byte": self.byte, "period": self.period, "over": self.over}

    def load(self, state: dict[str, Any]):
        self.byte, self.period, self.over = state["byte"], state["period"], state["over"]
