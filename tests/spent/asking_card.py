"""A card that asks by IRQ and NMI at cycles that its seed draws, and delays accesses."""

from random import Random

import attrs

from simkit.contract import BIT, COUNT, Card, Drive, PinSpec, Register, remembers, saved, setting

ANSWER, SLOW = range(2)


@attrs.frozen(kw_only=True)
class Settings:
    seed: int = setting(1, help="of the cycles in which it asks")
    irq: int = setting(0, unit="cycles", help="about so long after an answer it asks by IRQ; 0: never")
    nmi: int = setting(0, unit="cycles", help="about so often it asks by NMI; 0: never")
    wait: int = setting(0, unit="cycles", help="most wait cycles of an access")


@remembers
class Asking(Card):
    """Lets INT go when `answer` is read; NMI goes up by itself."""

    kind = "asking"
    Settings = Settings
    _drawn: int = saved(COUNT, 0)
    _asks: int = saved(BIT, 0)

    @classmethod
    def registers(cls, settings):
        return (
            Register(ANSWER, "answer", "rw", read_effect="lets INT go", write_effect="nothing, slowly"),
            Register(SLOW, "slow", "rw", read_effect="takes long", write_effect="takes long"),
        )

    @classmethod
    def pins(cls, settings):
        return tuple(PinSpec(name=name, drive=Drive.OPEN_DRAIN, help="asks") for name in ("INT", "EDGE"))

    def power_on(self, cycle):
        self._drawn = self._asks = 0
        if self.settings.irq:
            self.slot.at(cycle + self._draw(self.settings.irq), "ask")
        if self.settings.nmi:
            self.slot.at(cycle + self._draw(self.settings.nmi), "edge")

    def event(self, name, cycle):
        if name == "ask":
            self._asks = 1
            self.slot.pin("INT").drive(False, cycle)
        elif name == "edge":
            self.slot.pin("EDGE").drive(False, cycle)
            self.slot.at(cycle + self._draw(30), "up")
        else:
            self.slot.pin("EDGE").drive(None, cycle)
            self.slot.at(cycle + self._draw(self.settings.nmi), "edge")

    def peek(self, offset, cycle):
        return cycle & 0xFF

    def read(self, offset, cycle):
        if offset == ANSWER and self._asks:
            self._asks = 0
            self.slot.pin("INT").drive(None, cycle)
            self.slot.at(cycle + self._draw(self.settings.irq), "ask")
        return cycle & 0xFF

    def write(self, offset, value, cycle):
        return

    def wait_cycles(self, offset, is_write):
        return self._draw(self.settings.wait + 1) - 1

    def _draw(self, most):
        self._drawn += 1
        return Random(self.settings.seed * 1_000_003 + self._drawn).randrange(most) + 1
