"""Cards that are wrong in one way each: the contract test refuses every one, and says why."""

import pytest

from simkit.contract import Card
from simkit.testing.contract import check_contract, together
from tests.testing.wrong_cards import forgets, not_given, pins, promises, questions, states, store, tables, timer
from tests.testing.wrong_cards.timer import Timer
from tests.testing.wrong_cards.unexercised import (
    ArmsNothing,
    DelaysNothing,
    HasAPortOfItsOwn,
    ListensToNothing,
    NeverMovesItsPin,
    PromisesNothing,
    TakesNothingFromOutside,
    WaitsTooLong,
)

CARDS = [
    card
    for module in (timer, promises, questions, tables, not_given, states, pins, store, forgets)
    for card in vars(module).values()
    if isinstance(card, type) and issubclass(card, Card) and card.__module__ == module.__name__
]
SOUND = [card for card in CARDS if not card.told]
WRONG = [card for card in CARDS if card.told]


@pytest.mark.parametrize("card", WRONG, ids=lambda card: card.__name__)
def test_a_wrong_card_is_refused_with_its_reason(card):
    problems = check_contract(card, steps=30).problems
    assert any(card.told in problem for problem in problems), problems


@pytest.mark.parametrize("card", SOUND, ids=lambda card: card.__name__)
def test_a_sound_card_is_not_refused(card):
    report = check_contract(card, steps=50)
    assert report.problems == ()
    assert report.not_exercised == ()


@pytest.mark.slow
@pytest.mark.parametrize("card", WRONG, ids=lambda card: card.__name__)
def test_a_wrong_card_is_refused_by_one_of_any_five_scripts(card):
    """A script is chance: some faults half of them miss. The command runs five."""
    told = [any(card.told in text for text in check_contract(card, seed=seed).problems) for seed in range(2, 10)]
    assert all(any(told[first : first + 5]) for first in range(len(told) - 4)), told


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 10))
def test_sound_cards_are_not_refused_whatever_the_script(seed):
    for card in SOUND:
        assert check_contract(card, seed=seed).problems == ()


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (ListensToNothing, "pin_changed (no pin listens)"),
        (ArmsNothing, "event (nothing was armed)"),
        (PromisesNothing, "steady_until (it promised nothing)"),
        (WaitsTooLong, "event 'birthday' (armed, but not due in 100000000 cycles or 20000 events)"),
        (NeverMovesItsPin, "pin SPARE (the card never moved it)"),
        (DelaysNothing, "wait_cycles (it delayed no access)"),
        (TakesNothingFromOutside, "outside (no port takes anything)"),
        (HasAPortOfItsOwn, "port 'plotter' (a Port, a kind that the test does not know)"),
    ],
)
def test_what_no_script_could_try_is_told_and_is_no_problem(card, words):
    report = check_contract(card, steps=50)
    assert report.problems == ()
    assert words in report.not_exercised


def test_several_reports_tell_as_missed_what_none_of_them_exercised():
    timer, deaf = check_contract(Timer, steps=20), check_contract(ListensToNothing, steps=20)
    assert together([timer, deaf]).not_exercised == timer.not_exercised
    assert together([deaf, deaf]).not_exercised == deaf.not_exercised
    assert together([timer, deaf]).promises["peek"] == timer.promises["peek"] + deaf.promises["peek"]
