"""How captures, pictures and texts fit what runs show of one another."""

import random
from functools import partial

import attrs
import numpy as np
import pytest

from simkit.backplane.wiring import Done, Entry, Wiring
from simkit.machine.machine import Machine
from simkit.suspect.blocks import HIT, MISSED, WRONG, Shown, fit, of_pixels, of_text
from simkit.suspect.catalogue import catalogue
from simkit.suspect.grams import grams, one_bit_wrong
from simkit.suspect.outcome import Look, Outcome
from simkit.suspect.screens import judge_shown, judge_there
from simkit.suspect.seen import SeenText
from simkit.suspect.shown import text_shown
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


def run_of(*texts, wild=False):
    """A run whose screen shows these texts, 100 cycles apart."""
    looks = tuple(Look(100 * at, {}, {5: text}) for at, text in enumerate(texts, 1))
    return Outcome(None, (), looks, 100 * len(texts), "", wild, 0, {})


def test_a_text_is_the_same_when_copied_from_its_first_line_that_says_something():
    runs = [run_of("\n\nKEYBOARD TEST\n\nREADY")] * 4
    best = min(one.best.cost for one in text_shown(SeenText("KEYBOARD TEST\n\nREADY"), 0, runs))
    other = min(one.best.cost for one in text_shown(SeenText("KEYBOARD TESS\n\nREADY"), 0, runs))
    assert best == 0 < other


def test_a_screen_counts_from_when_the_hands_are_done_but_the_last_look_always():
    runs = [run_of("READY", "YOU TYPED A", "YOU TYPED A")] * 4
    assert min(one.best.wrong for one in text_shown(SeenText("READY"), 0, runs)) == 0
    assert min(one.best.wrong for one in text_shown(SeenText("READY"), 150, runs)) > 0
    assert min(one.best.wrong for one in text_shown(SeenText("YOU TYPED A"), 10_000, runs)) == 0


def test_a_screen_of_one_colour_that_noise_has_chosen_is_one_thing_and_a_picture_is_not():
    own = np.stack([of_pixels(np.full((64, 64), colour, np.uint8)) for colour in (1, 4, 9, 13)])
    third, drawn = np.full((64, 64), 7, np.uint8), np.full((64, 64), 7, np.uint8)
    drawn[16:24, 8:56] = noise(1, (8, 48))
    assert fit(of_pixels(third), own).cost == MISSED
    assert fit(of_pixels(np.full((64, 64), 9, np.uint8)), own).cost == HIT
    assert fit(of_pixels(drawn), own).cost == MISSED + 6 * WRONG


def test_each_run_is_held_against_the_others_at_moments_that_they_were_not_looked_at():
    def moving(start):
        return [of_text([f"{start + 7 * at:04}", "TITLE"], 2, 8) for at in range(6)]

    standing = np.array([[of_text(["1234", "TITLE"], 2, 8)] * 6] * 5, np.uint64)
    assert all(one.cost == 0 for run in Shown(standing[0, 0], standing).among for one in run)
    moved = np.array([moving(0)] * 5, np.uint64)  # in step in all runs, but never seen twice
    assert all(one.cost > 0 for run in Shown(moved[0, 0], moved).among for one in run)


def misfit(runs, text, more=None):
    return judge_shown({"a": runs}, partial(text_shown, SeenText(text), 0), "text", more).misfit


def test_with_more_runs_that_agree_one_steady_block_that_is_wrong_is_enough():
    right, wrong = "ONE\nTWO\nTEN", "ONE\nTWO\nTEX"
    assert not misfit([run_of(right)] * 4, wrong)
    assert misfit([run_of(right)] * 12, wrong)
    assert not misfit([run_of(right)] * 12, right)
    assert not misfit([run_of(right, wild=True)] * 12, wrong)  # when it went wild it was not looked at any longer
    assert not misfit([run_of(text) for text in (right, wrong, "ONE\nTWO\nTEZ") * 4], "ONE\nTWO\nTEA")


def letters(seed, count=40):
    drawn = random.Random(seed)
    return "".join(drawn.choice("ABCDEFGH") for _ in range(4 * count))


def test_one_run_of_many_that_goes_another_way_does_not_let_anything_pass():
    right, other, wrong = letters(1), letters(2), letters(3)
    assert not misfit([run_of(right)] * 11 + [run_of(other)], right)
    assert misfit([run_of(right)] * 11 + [run_of(other)], wrong)
    assert not misfit([run_of(right), run_of(other)] * 6, other)


def test_noise_is_as_good_as_the_noise_of_the_other_runs_and_who_foretells_noise_that_does_not_come_is_out():
    noisy = [run_of(f"READY\n{letters(seed)}") for seed in range(12)]
    assert not misfit(noisy, f"READY\n{letters(78)}")
    assert not misfit(noisy, f"READY\n{letters(3)}")  # just that of one of them
    tame = f"READY\n{letters(0)[:80]}{letters(1)[80:156]}"
    assert misfit(noisy, tame)
    more = Says({"noisy": noisy[4:], "tame": [run_of(tame)] * 8})
    runs = {"noisy": noisy[:4], "tame": [run_of(tame.replace("READY", "READX"))] * 4}
    found = judge_shown(runs, partial(text_shown, SeenText(tame), 0), "text", more)
    assert found.behind["tame"] <= 1 < found.behind["noisy"]
    assert found.words["tame"].endswith("% alike")
    chance = judge_shown({"noisy": noisy}, partial(text_shown, SeenText(f"READY\n{letters(90)}"), 0), "text", None)
    assert chance.words["noisy"] == "text: chance, as its own power-ups show it"


class Says:
    """Runs that were made for these tests, instead of `More`."""

    def __init__(self, runs):
        self.runs = runs
        self.asked = []

    def of(self, names, power_ups=None):
        self.asked.append(list(names))
        return {name: tuple(self.runs[name][:power_ups]) for name in names}


def test_those_that_come_near_are_run_again_and_fall_back_where_that_contradicts_them():
    seen, other = "READY\nA7", "READY\nB3"
    runs = {"steady": [run_of(seen)] * 3 + [run_of(other)], "lucky": [run_of("READY\nA8")] * 4}
    runs |= {f"far {number}": [run_of(f"NOTHING OF THE KIND\n{number}\n" + "X" * 90)] * 4 for number in range(20)}
    more = Says({name: [run_of(seen)] * 8 if name == "steady" else list(own) * 2 for name, own in runs.items()})
    views = partial(text_shown, SeenText(seen), 0)
    before = judge_shown(runs, views, "text", None)
    after = judge_shown(runs, views, "text", more)
    assert {name for name, behind in before.behind.items() if behind <= 1} == {"steady", "lucky"}
    assert after.behind["steady"] == 0 < 1 < after.behind["lucky"]
    assert {"steady", "lucky"} <= {*more.asked[0]}


def test_whom_all_power_ups_show_just_so_is_run_no_more_and_those_far_from_it_are_not_either():
    seen = "READY\nA7"
    runs = {"just so": [run_of(seen)] * 4, "wild": [run_of(seen, wild=True)] * 4, "near": [run_of("READY\nA8")] * 4}
    runs |= {f"far {number}": [run_of(f"NOTHING OF THE KIND\n{number}")] * 4 for number in range(9)}
    more = Says({name: list(own) * 2 for name, own in runs.items()} | {"wild": [run_of("AT THE END ANOTHER")] * 8})
    found = judge_shown(runs, partial(text_shown, SeenText(seen), 0), "text", more)
    assert [sorted(names) for names in more.asked] == [["near", "wild"]] * 2
    assert {name for name, behind in found.behind.items() if behind <= 1} == {"just so"}


def test_whom_two_further_power_ups_refute_is_run_under_no_more_and_who_went_wild_before_is_waited_for():
    seen = "READY\nA7"
    runs = {"steady": [run_of(seen)] * 3 + [run_of("READY\nC5")], "wild": [run_of("NO", wild=True)] * 4}
    runs |= {f"near {number}": [run_of(f"REALLY\nB{number}")] * 4 for number in range(6)}
    further = {name: list(own) * 2 for name, own in runs.items()} | {"wild": [run_of("YES")] * 3 + [run_of(seen)] * 5}
    more = Says(further)
    found = judge_shown(runs, partial(text_shown, SeenText(seen), 0), "text", more)
    assert [sorted(names) for names in more.asked] == [sorted(runs), ["steady", "wild"], ["steady", "wild"]]
    assert {name for name, behind in found.behind.items() if behind <= 1} == {"steady", "wild"}


def test_of_many_that_fit_but_for_one_block_those_that_nobody_ran_again_are_refuted_with_those_that_were():
    runs = {f"like {number}": [run_of("READY\nA7\n")] * 4 for number in range(30)}
    more = Says({name: list(own) * 2 for name, own in runs.items()})
    views = partial(text_shown, SeenText("READY\nA8"), 0)
    assert not judge_shown(runs, views, "text", None).misfit
    assert judge_shown(runs, views, "text", more).misfit
    rather = Says(more.runs | {"like 20": [run_of("READY\nA7"), run_of("READY\nA8")] * 4})
    found = judge_shown(runs, views, "text", rather)
    assert min(found.behind, key=found.behind.get) == "like 20"
    assert not found.misfit
    settled = judge_shown(runs | {"just so": [run_of("READY\nA8")] * 4}, views, "text", more)
    assert [name for name, behind in settled.behind.items() if behind <= 1] == ["just so"]


def test_where_nobody_fits_the_next_ones_are_run_and_each_under_two_power_ups_alone():
    runs = {f"none {number}": [run_of(f"NOTHING OF THE KIND\n{number}")] * 4 for number in range(30)}
    more = Says({name: list(own) * 2 for name, own in runs.items()})
    assert judge_shown(runs, partial(text_shown, SeenText("READY"), 0), "text", more).misfit
    assert [len(names) for names in more.asked] == [8, 8, 8]
    assert len({name for names in more.asked for name in names}) == 24


def test_what_runs_showed_that_were_ended_as_wild_does_not_count_where_others_came_to_their_end():
    runs = {"a": [run_of("READY", wild=True)] * 4}
    views = partial(text_shown, SeenText("AFTER A WHILE"), 0)
    more = Says({"a": [run_of("AFTER A WHILE")] * 8})
    assert judge_shown(runs, views, "text", None).misfit
    assert not judge_shown(runs, views, "text", more).misfit
    assert judge_shown(runs, partial(text_shown, SeenText("READY"), 0), "text", more).misfit


def test_what_hangs_now_and_then_explains_a_hang_less_well_and_is_not_ruled_out_but_what_never_does_is():
    runs = {"always": [run_of("X")] * 4, "half": [run_of("Y")] * 4, "never": [run_of("Z")] * 4}
    more = Says({"half": [run_of("Y")] * 8})
    likeness = {"X": 1.0, "Y": 0.5, "Z": 0.0}
    found = judge_there(runs, lambda own: likeness[own[0].looks[0].texts[5]], "hangs", more)
    assert found.behind["always"] == 0 < found.behind["half"] < 1 < found.behind["never"]
    assert more.asked == [["half"]]
    assert judge_there({"never": runs["never"]}, lambda own: 0.0, "hangs", more).misfit == "no candidate hangs"


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
