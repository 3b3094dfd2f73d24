"""Timers that take what a card is not given: chance, and a place beside its state."""

import itertools
import random

from tests.testing.wrong_cards.timer import Timer


class TakesChanceOfItsOwn(Timer):
    told = "what it is not given"

    def write(self, offset, value, cycle):
        super().write(offset, random.randrange(256), cycle)


class KeepsSomethingInTheClass(Timer):
    told = "what it is not given"
    writes = itertools.count()

    def write(self, offset, value, cycle):
        super().write(offset, (value + next(self.writes)) & 0xFF, cycle)
