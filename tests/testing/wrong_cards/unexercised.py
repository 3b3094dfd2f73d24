"""Timers of which a part cannot be reached by any script."""

import attrs

from simkit.contract import Drive, PinSpec, Port
from tests.testing.wrong_cards.timer import Timer


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
