"""Timers whose register table says something else than they do, or that cannot be made."""

from typing import ClassVar

import attrs

from simkit.contract import Card, Register
from tests.testing.wrong_cards.timer import CONTROL, COUNT, Timer


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
