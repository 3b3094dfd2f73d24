"""How captures, pictures and texts fit what runs show of one another."""

import random

import attrs
import numpy as np
import pytest

from simkit.backplane.wiring import Done, Entry, Wiring
from simkit.machine.machine import Machine
from simkit.suspect.blocks import fit, of_pixels, of_text
from simkit.suspect.catalogue import catalogue
from simkit.suspect.grams import grams, one_bit_wrong
from simkit.suspect.outcome import Look, Outcome
from simkit.suspect.seen import SeenText
from simkit.suspect.shown import text_views
from simkit.suspect.steadiness import reach_of, strange_places
from simkit.suspect.trial import Trial
from simkit.suspect.unset import unset, without_unset

NAMES = (*(f"A{i}" for i in range(16)), *(f"D{i}" for i in range(8)), "RW")


def row(address, data, *, write=False):
    return address | data << 16 | (not write) << 24


def noise(seed, shape):
    return np.random.default_rng(seed).integers(0, 16, shape).astype(np.uint8)


def test_what_differs_between_power_ups_of_a_fault_is_no_contradiction_and_what_does_not_is():
    steady = np.full((16, 64), 3, np.uint8)
    own = [np.vstack((steady, noise(seed, (16, 64)))) for seed in range(4)]
    held = np.stack([of_pixels(one) for one in own])
    real = np.vstack((steady, noise(9, (16, 64))))
    assert fit(of_pixels(real), held).wrong == 0
    real[4, 4] ^= 1
    assert fit(of_pixels(real), held).wrong == 1


def test_a_screen_that_is_just_that_of_one_run_costs_next_to_nothing_however_much_the_others_show():
    own = np.stack([of_pixels(noise(seed, (64, 64))) for seed in range(4)])
    assert fit(own[2], own).cost < 0.1 * fit(of_pixels(noise(9, (64, 64))), own).cost


def test_a_text_is_the_same_when_copied_from_its_first_line_that_says_something():
    def run(text):
        return Outcome(None, (), (Look(0, {}, {5: text}),), 0, "", False, 0, {})

    runs = [run("\n\nKEYBOARD TEST\n\nREADY")] * 4
    best = min(fit(*view).cost for view in text_views(SeenText("KEYBOARD TEST\n\nREADY"), runs))
    other = min(fit(*view).cost for view in text_views(SeenText("KEYBOARD TESS\n\nREADY"), runs))
    assert best == 0 < other


def test_blocks_of_a_text_beyond_its_last_line_are_blank():
    assert np.array_equal(of_text(["AB"], 3, 8), of_text(["AB", "", "   "], 3, 8))


def test_memory_that_is_read_before_it_is_set_is_known_from_runs_and_its_bytes_are_left_away():
    def run(byte):
        rows = [row(0x8000, 0x60), row(0x01F7, byte), row(0x0002, 1, write=True), row(0x0002, 1), row(0x01F7, byte)]
        return np.array(rows, np.uint64)

    runs = [run(byte) for byte in (0x12, 0x9C, 0x00, 0xFF)]
    found = unset(runs, NAMES)
    assert np.flatnonzero(found).tolist() == [0x01F7]
    assert len({without_unset(levels, NAMES, found).tobytes() for levels in runs}) == 1


def test_a_register_that_changes_while_nobody_writes_it_is_no_unset_memory():
    runs = [np.array([row(0x7F20, byte), row(0x7F20, byte ^ 1)], np.uint64) for byte in (2, 4, 6, 8)]
    assert not unset(runs, NAMES).any()


def places(levels, shown, mask=(1 << 25) - 1, length=2):
    every = grams(levels, mask, length)
    different, at, number, counts = np.unique(every, return_index=True, return_inverse=True, return_counts=True)
    known = set(grams(shown, mask, length).tolist())
    odd = np.array([one not in known for one in different.tolist()])
    windows = levels[at[:, None] + np.arange(length)]
    wrong = one_bit_wrong(windows, range(25), lambda some: some)
    near = np.array([any(one in known for one in each) for each in wrong.tolist()]) & odd
    return strange_places(odd, near, number, counts, length, 25)


def loop(rounds):
    return np.array([row(0x8000 + i, 0x11 * i) for i in range(12)] * rounds, np.uint64)


@pytest.mark.parametrize("seed", range(5))
def test_single_wrong_bits_all_over_a_capture_are_noise(seed):
    drawn = random.Random(seed)
    levels = loop(400)
    for at in drawn.sample(range(0, len(levels), 4), 48):  # 1 % of the cycles, none beside another
        levels[at] ^= np.uint64(1 << drawn.randrange(25))
    assert places(levels, loop(2)) == 0


def test_a_byte_that_is_otherwise_in_two_bits_or_in_the_same_one_in_every_round_is_no_noise():
    once, again = loop(400), loop(400)
    once[1205] ^= np.uint64(0b11 << 16)
    assert places(once, loop(2)) == 1
    again[5::12] ^= np.uint64(1 << 16)
    assert places(again, loop(2)) >= 1


def test_a_capture_is_foretold_up_to_where_it_runs_astray_in_spite_of_noise_and_of_the_first_cycles():
    flags = np.array([False] * 5 + [True] * 200 + [False] * 4000)
    flags[50::60] = False
    assert 195 < reach_of(flags) <= 205
    assert reach_of(np.zeros(100, bool)) == 0
    assert reach_of(np.zeros(0, bool)) == 0


def test_hands_come_in_their_order_and_a_little_earlier_or_later_under_other_power_ups_alone():
    def press(machine):
        for number in range(6):
            machine.keys.press("a" if number % 2 else "b", at=100_000 + 9_000 * number * number)

    def moments(seed):
        machine = trial.machine(seed)
        trial.prepared(machine, seed)
        return [(cycle, what[-1]) for cycle, _, *what in machine.bus.agenda.pending_outside()]

    trial = Trial.of(Machine.load("demo:keyboard-test"), 1_000_000, press)
    first, *others = (moments(seed) for seed in trial.seeds)
    assert [cycle for cycle, _ in first] == [100_000 + 9_000 * number * number for number in range(6)]
    for other in others:
        assert other != first
        assert [what for _, what in other] == [what for _, what in first]
        assert all(abs(one[0] - two[0]) <= 30_000 for one, two in zip(first, other, strict=True))


def test_of_a_select_of_several_patterns_each_bit_and_each_pattern_may_be_wrong():
    machine = Machine.load("demo:marlpit")
    card = machine.description.cards[4]
    two = "0111 1111 0011 000x", "0111 1111 0100 000x"
    others = [entry for entry in card.wiring.entries if entry.done is not Done.SELECTED]
    wiring = Wiring((*others, *(Entry(Done.SELECTED, "", text, 5) for text in two)))
    described = attrs.evolve(
        machine.description, cards=(*machine.description.cards[:4], attrs.evolve(card, wiring=wiring))
    )
    found = {one.sentence for one in catalogue(described) if one.kind == "select" and one.place == "slot 5"}
    assert {f"slot 5: selected by {text}" for text in two} <= found
    assert f"slot 5: selected by {two[0]} or 0111 1111 0100 000{1}" in found
    assert len(found) >= 2 * 2 * 16
    for sentence in sorted(found)[::7]:
        Machine(described.with_faults([sentence]), machine.images())
