"""The cards that come with the kit keep the contract of a card."""

import itertools
import random
from collections import Counter

import attrs
import pytest

from simkit.contract import SimkitError
from simkit.machinefile.catalogue import entries, load_entry
from simkit.testing.contract import check_contract, together

KINDS = sorted(entries())

VARIANTS = {
    "ports-6522": [{"one_shot": "run-on", "timeout_during_read": "flag-kept", "open_inputs": "noise"}],
    "serial-6551": [{"part": "W65C51N", "cable": "rts-cts"}],
    "bank-latch": [{"part": "74HC573", "shows_garbage": True}, {"part": "74HC273"}],
    "led-row": [{"joined": "pins"}],
    "rom": [{"part": "28C64B", "write_us": 20}, {"part": "39SF010A"}],
    "button-row": [{"bounce_us": 3_000}, {"joined": "pins", "bounce_us": 3_000}],
    "pad-sockets": [{"oscillator": "99.7 kHz"}],
}
SETTINGS = [(kind, settings) for kind in KINDS for settings in ({}, *VARIANTS.get(kind, []))]

START = {
    "tile-video": [
        (1, byte)
        for number, value in enumerate(
            (0x00, 0xE2, 0x06, 0xFF, 0x03, 0x36, 0x07, 0xF4)
        )  # 16K, picture on, interrupt on
        for byte in (value, 0x80 | number)
    ],
    "ports-6522": [(0x2, 0xFF), (0x3, 0xFF), (0xE, 0xFF)],  # all pins outputs, all interrupts on
}
"""What a driver of the card begins with."""

MISSED = {
    "bank-latch": {"pin_changed (no pin listens)"},  # a 74HC273 has no OE
    "button-row": {"event (nothing was armed)", "steady_until (it promised nothing)"},  # no bounces; no register
    "pad-sockets": {"event (nothing was armed)"},  # no oscillator
}
"""What some settings of a card rule out."""

MILLION = 1_000_000
MOST_SCRIPTS = 600


@pytest.mark.parametrize(("kind", "settings"), SETTINGS)
def test_installed_card_keeps_the_contract(kind, settings):
    """With its defaults it refuses damaged states as well."""
    start = START.get(kind, ())
    damaged = not settings
    steps = 20 if damaged else 15
    report = check_contract(load_entry(entries()[kind]), settings, steps=steps, start=start, damaged=damaged)
    assert report.problems == ()
    assert bool(report.promises.get("damage")) is damaged


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("kind", KINDS)
def test_installed_card_refuses_damaged_states_whatever_the_script(kind, seed):
    assert check_contract(load_entry(entries()[kind]), seed=seed, steps=20).problems == ()


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "settings"), SETTINGS)
def test_of_an_installed_card_everything_is_exercised_that_its_settings_allow(kind, settings):
    card, start = load_entry(entries()[kind]), START.get(kind, ())
    report = together(check_contract(card, settings, seed=seed, start=start, damaged=False) for seed in range(1, 6))
    assert set(report.not_exercised) - MISSED.get(kind, set()) == {"load (no damaged state was tried)"}


def any_settings(card, rng):
    """Some settings of a card, each at its default, at an end of its range or somewhere in it."""
    found = {}
    for field in attrs.fields(card.Settings):
        meta = field.metadata
        if rng.random() < 0.6:
            continue
        if meta["one_of"]:
            found[field.name] = rng.choice(meta["one_of"])
        elif isinstance(field.default, bool):
            found[field.name] = rng.random() < 0.5
        elif isinstance(field.default, int) and meta["low"] is not None and meta["high"] is not None:
            low, high = meta["low"], meta["high"]
            found[field.name] = rng.choice((low, high, rng.randint(low, high), rng.randint(low, min(high, low + 20))))
    return found


@pytest.mark.slow
def test_a_million_promises_of_our_cards_are_kept_with_any_settings():
    """Each comparison is one: a byte peeked and read, a step lazy and asked, a state saved and loaded, and so on."""
    kept: Counter[str] = Counter()
    refused = broken = 0
    told = []
    for number, kind in zip(range(MOST_SCRIPTS), itertools.cycle(KINDS)):
        rng = random.Random(f"{kind}/{number}")
        card, settings = load_entry(entries()[kind]), any_settings(load_entry(entries()[kind]), rng)
        try:
            card.registers(card.Settings(**settings))
            report = check_contract(card, settings, seed=number, steps=60, start=START.get(kind, ()), damaged=False)
        except SimkitError:
            refused += 1  # settings that do not go together
            continue
        kept.update(report.promises)
        broken += len(report.problems)
        told += [f"{kind} {settings}, seed {number}: {problem}" for problem in report.problems]
        if kept.total() >= MILLION:
            break
    print(f"\n{kept.total()} promises, {broken} broken: {dict(kept.most_common())}; {refused} settings refused")
    assert told == []
    assert kept.total() >= MILLION
