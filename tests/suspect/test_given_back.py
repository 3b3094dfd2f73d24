"""What memories give back on the lines of a backplane, and what a candidate says that they give."""

import attrs
import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.machine.machine import Machine
from simkit.records.observed import Observer
from simkit.suspect.given import apart_on_the_lines
from simkit.suspect.given_back import not_given_back
from tests.suspect.conftest import FULL, spoilt

CELLS, ACCESSES = 64, 1_500
WIRED = "D6 late", "D6 open", "D6 inverted", "D6 exchanged with D7"
"""At the CPU: on the lines a memory gives back what was there all the same."""
FAULTS = (
    *WIRED,
    "D1 shorted to D2",
    "D3 low",
    "A0 shorted to A1",
    "A3 low",
    "A8 exchanged with A9",
    "RW high",
    "RW low",
    "slot 1: pin D0 open",
    "slot 1: pin D5 late",
    "slot 1: pin D1 shorted to D2",
    "slot 1: pin D2 exchanged with D3",
    "slot 1: pin A3 low",
    "slot 1: line A8 open",
    "slot 1: line RW low",
    "slot 1: line RW high",
    "slot 1: write enable never",
    "slot 1: output enable PHI2",
    "slot 1: write enable not RW",
    "slot 1: selected by xxxx xxxx xxxx xxxx",
    "slot 1: transceiver direction reversed",
    "slot 1: card removed",
)


def faulted(*faults):
    return Machine.load("demo:pad-test", seed=7, faults=list(faults))


def shown(gives, seed=1):
    """Cycles as they are on the lines: cells of RAM are written and read by chance; `gives` says what it puts there."""
    chance, held, last = np.random.default_rng(seed), {}, 0
    words = []
    for _ in range(ACCESSES):
        address, is_read = 0x0200 + int(chance.integers(CELLS)), bool(chance.integers(2))
        if is_read and address in held:
            last = gives(held[address], last)
        else:
            last = held[address] = int(chance.integers(256))
            is_read = False
        words.append(address | last << 16 | is_read << 24)
    return whole(np.array(words, np.uint64))


def whole(levels, names=FULL):
    count = len(levels)
    known = np.full(count, (1 << len(names)) - 1, np.uint64)
    return Captured(tuple(names), levels, known, np.arange(count, dtype=float), np.zeros(count, bool))


NEVER_TAKES = "slot 1: line RW high", "slot 1: write enable never"


@pytest.mark.parametrize("fault", NEVER_TAKES)
def test_a_memory_that_takes_nothing_gives_back_one_byte_whatever_is_written_between(fault):
    """Where it drives the lines while the CPU writes, too: what it holds stays as it is."""
    rows, words = not_given_back(faulted(fault), shown(lambda held, _: held))
    assert rows
    assert "holds $" in words


@pytest.mark.parametrize("fault", FAULTS)
def test_no_run_of_a_fault_is_refuted_by_itself(fault):
    machine = faulted(fault)
    with Observer(machine, FULL) as observer:
        machine.run_to(4_000)
    seen = whole(observer.observed.levels)
    for captured in (seen, spoilt(seen, 1), spoilt(seen, 2)):
        assert not_given_back(faulted(fault), captured) == ([], "")


@pytest.mark.parametrize("candidate", ["slot 5: card removed", *WIRED])
@pytest.mark.parametrize(
    "gives",
    [
        lambda held, last: held & ~0x08,
        lambda held, last: held & ~0x20 | last & 0x20,
        lambda held, last: held & 0x7E | held >> 7 & 1 | held << 7 & 0x80,
        lambda held, last: last,
    ],
    ids=["a pin low", "a pin late", "pins exchanged", "never selected"],
)
def test_a_memory_that_gives_something_else_refutes_who_says_that_it_is_sound(candidate, gives):
    for captured in (shown(gives), spoilt(shown(gives), 3)):
        rows, words = apart_on_the_lines(faulted(candidate), captured)
        assert len(rows) > 20
        assert "RAM (slot 1) holds $" in words
        row = int(words.split("in cycle ")[1].split(" ")[0])
        assert row == rows[0] == min(rows)
    assert not_given_back(faulted(candidate), spoilt(shown(lambda held, _: held), 4)) == ([], "")


def test_what_the_memory_itself_makes_of_a_byte_is_no_difference():
    for fault, gives in (
        ("slot 1: pin D3 low", lambda held, _: held & ~0x08),
        ("slot 1: pin D5 late", lambda held, last: held & ~0x20 | last & 0x20),
        ("D3 low", lambda held, _: held & ~0x08),
        ("slot 1: pin D1 shorted to D2", lambda held, _: held if held & 6 == 6 else held & ~6),
        ("slot 1: card removed", lambda _, last: last),
        ("slot 1: selected by 0000 00x1 xxxx xxxx", lambda _, last: last),
    ):
        assert not_given_back(faulted(fault), spoilt(shown(gives), 5)) == ([], ""), fault
        assert not_given_back(faulted("slot 5: card removed"), spoilt(shown(gives), 5))[0], fault


def test_two_addresses_of_one_place_are_one_place():
    """With A5 low at the card, what is written to $0220 is read at $0200."""
    chance = np.random.default_rng(6)
    written = [(0x0220 + n % 16, byte) for n, byte in enumerate(chance.integers(256, size=200).tolist())]
    rows = [one for address, byte in written for one in ((address, byte, 0), (address - 0x20, byte, 1))]
    captured = whole(np.array([a | byte << 16 | read << 24 for a, byte, read in rows], np.uint64))
    assert not_given_back(faulted("slot 1: line A5 low"), captured) == ([], "")
    assert len(not_given_back(faulted("slot 5: card removed"), captured)[0]) > 50  # where nothing was written
    turned = attrs.evolve(captured, levels=captured.levels.copy())
    turned.levels[1::2] ^= np.uint64(0x100000)
    assert len(not_given_back(faulted("slot 1: line A5 low"), turned)[0]) == 200


def test_what_nobody_saw_refutes_nobody():
    sound = shown(lambda held, _: held)
    wrong = shown(lambda held, _: held ^ 0x10)
    machine = faulted("slot 5: card removed")
    apart = attrs.evolve(wrong, lost=np.ones(len(wrong), bool))  # cycles may be missing before each
    assert len(not_given_back(machine, wrong)[0]) > len(not_given_back(machine, apart)[0]) == 0
    unread = attrs.evolve(wrong, known=wrong.known & ~np.uint64(0x100000))  # D4 was not to be read
    assert not_given_back(machine, unread) == ([], "")
    nowhere = attrs.evolve(wrong, known=wrong.known & ~np.uint64(0x01))  # nor was A0
    assert not_given_back(machine, nowhere) == ([], "")
    few = attrs.evolve(sound, levels=sound.levels.copy())
    few.levels[::300] ^= np.uint64(0x10000)
    assert not_given_back(machine, few) == ([], "")


@pytest.mark.parametrize("noise", range(1, 9))
def test_a_place_that_takes_two_bytes_in_turn_refutes_nobody_where_writes_were_missed(noise):
    """The stack: two calls whose return addresses differ in one line."""
    chance, rows = np.random.default_rng(noise), []
    for _ in range(1_500):
        byte = 0x0B if chance.integers(2) else 0x09
        rows += [0x01F8 | byte << 16, 0x01F8 | byte << 16 | 1 << 24]
    captured = spoilt(whole(np.array(rows, np.uint64)), noise)
    missed = np.random.default_rng(noise).random(len(captured)) > 0.01
    gone = attrs.evolve(captured[missed], lost=np.append(True, np.diff(captured.time[missed]) > 1))
    assert not_given_back(faulted("slot 5: card removed"), gone) == ([], "")
