"""The public contract test: every installed card keeps the contract, and each way to break it is noticed."""

from typing import Any, ClassVar

import attrs
import pytest

from simkit.contract.card import Card
from simkit.contract.registers import Register
from simkit.contract.settings import setting
from simkit.machinefile.catalogue import entries, load_entry
from simkit.testing.bench import check_contract

VARIANTS = {
    "ports-6522": [{"one_shot": "run-on", "timeout_during_read": "flag-kept", "open_inputs": "noise"}],
    "serial-6551": [{"part": "W65C51N", "cable": "rts-cts"}],
    "bank-latch": [{"part": "74HC573", "shows_garbage": True}, {"part": "74HC273"}],
    "led-row": [{"joined": "pins"}],
    "button-row": [{"bounce_us": 3_000}, {"joined": "pins", "bounce_us": 3_000}],
}


@pytest.mark.parametrize("kind", sorted(entries()))
def test_installed_card_keeps_the_contract(kind):
    for settings in ({}, *VARIANTS.get(kind, [])):
        assert check_contract(load_entry(entries()[kind]), settings, steps=120) == []


@attrs.frozen(kw_only=True)
class CounterSettings:
    start: int = setting(0, low=0, high=255, help="first value")


class Counter(Card):
    """A sound card to spoil: a counter of cycles that a write sets back."""

    kind: ClassVar[str] = "counter"
    Settings: ClassVar[type] = CounterSettings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "count", "rw"),)

    def __init__(self, settings: Any, slot: Any) -> None:
        super().__init__(settings, slot)
        self.zero = 0

    def peek(self, offset, cycle):
        return (cycle - self.zero) & 0xFF

    def write(self, offset, value, cycle):
        self.zero = cycle - value

    def save(self, cycle):
        return {"zero": self.zero}

    def load(self, state):
        self.zero = state["zero"]


class PeekCounts(Counter):
    def peek(self, offset, cycle):
        self.zero += 1
        return super().peek(offset, cycle)


class CountsQuestions(Counter):
    def advance(self, cycle):
        self.zero += 1


class SavesLastAsked(Counter):
    asked = 0

    def advance(self, cycle):
        self.asked = cycle

    def save(self, cycle):
        return {"zero": self.zero, "asked": self.asked}

    def load(self, state):
        self.zero, self.asked = state["zero"], state["asked"]


class ForgetsOnSave(Counter):
    def save(self, cycle):
        return {}

    def load(self, state):
        pass


class ReadsOtherThanPeek(Counter):
    def read(self, offset, cycle):
        return self.peek(offset, cycle) ^ 1


class SavesObjects(Counter):
    def save(self, cycle):
        return {"zero": self.zero, "self": {1, 2}}


class Raises(Counter):
    def write(self, offset, value, cycle):
        raise IndexError("no such register")


class TwoAtOneOffset(Counter):
    @classmethod
    def registers(cls, settings):
        return (Register(0, "a", "rw"), Register(0, "b", "r"))


class NoKind(Card):
    pass


def test_the_sound_counter_passes():
    assert check_contract(Counter) == []


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (PeekCounts, "peek"),
        (CountsQuestions, "asked in between"),
        (SavesLastAsked, "asked in between"),
        (ForgetsOnSave, "loaded from its state"),
        (ReadsOtherThanPeek, "peek said"),
        (SavesObjects, "neither a JSON value nor bytes"),
        (Raises, "IndexError: no such register"),
        (TwoAtOneOffset, "share offset 0"),
        (NoKind, "`kind`"),
    ],
)
def test_each_broken_rule_is_told(card, words):
    assert any(words in problem for problem in check_contract(card)), check_contract(card)
