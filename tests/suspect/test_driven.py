"""A line that nobody would drive: whatever it does by itself refutes nobody, and going by the address does."""

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.compare.judged import led
from simkit.machine.machine import Machine
from simkit.suspect.driven import Accesses, driven
from simkit.suspect.floating import Floating
from simkit.suspect.followed import Following
from simkit.suspect.given import Given
from simkit.suspect.trial import Trial
from tests.suspect.test_verified import capture

ROWS, ROM, AT, LINE = 6_000, 400, 0x8123, 2
WRONG = 0.01
"""Part of the rows in which one of 26 lines is misread."""


def accesses(level, seed, undriven=1 << LINE):
    """A CPU that goes about in a ROM, with levels of a line, or of all eight, that come of a rule.

    Args:
        level: (bit, levels before, byte of the ROM, address, chance) -> level.
        seed: of all that is chance.
        undriven: lines that have them.
    """
    chance = np.random.default_rng(seed)
    image = chance.integers(0, 256, ROM)
    address, data = np.zeros(ROWS, np.int64), np.zeros(ROWS, np.uint8)
    at, before = 0, 0
    for row in range(ROWS):
        at = int(chance.integers(ROM)) if chance.random() < 0.2 else (at + 1) % ROM
        byte = int(image[at])
        for bit in range(8):
            if undriven >> bit & 1:
                byte = byte & ~(1 << bit) | int(level(bit, before, int(image[at]), at, chance)) << bit
        address[row], data[row], before = AT + at, byte, byte
    wrong = chance.random(ROWS) < WRONG
    lines = chance.integers(0, 26, ROWS)
    data ^= np.where(wrong & (lines < 8), 1 << np.minimum(lines, 7), 0).astype(np.uint8)
    known, nobody = np.full(ROWS, 0xFF, np.uint8), np.full(ROWS, undriven, np.uint8)
    nobody[0] = 0
    return Accesses(address, data, known, np.roll(data, 1), nobody, image[address - AT])


BY_ITSELF = {
    "kept": lambda bit, before, byte, at, chance: before >> bit & 1,
    "pulled up": lambda bit, before, byte, at, chance: 1,
    "pulled down": lambda bit, before, byte, at, chance: 0,
    "chance": lambda bit, before, byte, at, chance: chance.random() < 0.5,
    "chance, high mostly": lambda bit, before, byte, at, chance: chance.random() < 0.9,
    "kept, now and then by chance": lambda bit, before, byte, at, chance: (
        before >> bit & 1 if chance.random() < 0.7 else chance.random() < 0.5
    ),
    "pulled up slowly": lambda bit, before, byte, at, chance: before >> bit & 1 or chance.random() < 0.3,
}
BY_ANOTHER = {
    "the line below": lambda bit, before, byte, at, chance: byte >> bit - 1 & 1,
    "the line above": lambda bit, before, byte, at, chance: byte >> bit + 1 & 1,
    "both beside it, low wins": lambda bit, before, byte, at, chance: byte >> bit - 1 & byte >> bit + 1 & 1,
    "where both beside it move it": lambda bit, before, byte, at, chance: (
        byte >> bit + 1 & 1 if (byte >> bit - 1 ^ byte >> bit + 1) & 1 == 0 else before >> bit & 1
    ),
    "an address line": lambda bit, before, byte, at, chance: AT + at >> 4 & 1,
    "a line farther off": lambda bit, before, byte, at, chance: byte >> 6 & 1,
}
DRIVEN = {
    "as the ROM has it": lambda bit, before, byte, at, chance: byte >> bit & 1,
    "inverted": lambda bit, before, byte, at, chance: byte >> bit & 1 ^ 1,
    "by the address": lambda bit, before, byte, at, chance: at * at // 7 + bit & 1,
}


@pytest.mark.parametrize("undriven", [1 << LINE, 0xFF], ids=["a line", "all"])
@pytest.mark.parametrize("rule", BY_ITSELF)
def test_whatever_a_line_does_by_itself_it_is_not_called_driven(rule, undriven):
    assert [driven(accesses(BY_ITSELF[rule], seed, undriven))[1] for seed in range(4)] == [[]] * 4


@pytest.mark.parametrize("rule", BY_ANOTHER)
def test_a_line_that_follows_those_beside_it_or_any_other_is_not_called_driven(rule):
    assert [driven(accesses(BY_ANOTHER[rule], seed))[1] for seed in range(4)] == [[]] * 4


@pytest.mark.parametrize("undriven", [1 << LINE, 0xFF], ids=["a line", "all"])
@pytest.mark.parametrize("rule", DRIVEN)
def test_a_line_that_goes_by_the_address_or_by_the_byte_of_a_rom_is_driven(rule, undriven):
    of = accesses(DRIVEN[rule], 1, undriven)
    line, rows = driven(of)
    assert undriven >> line & 1
    assert ((of.before[rows] ^ of.data[rows]) >> line & 1).all()
    assert len(rows) > ROWS / 20


def test_a_loop_round_two_addresses_says_no_more_than_once():
    """Whatever a floating line does, it may do again in each round."""
    of = accesses(DRIVEN["by the address"], 1)
    two = np.resize(np.array([10, 11]), ROWS)
    levels = two.astype(np.uint8) % 2 << LINE
    loop = Accesses(two, levels, of.known, np.roll(levels, 1), of.undriven, np.full(ROWS, -1))
    assert driven(loop) == (0, [])


@pytest.fixture(scope="module")
def pulled(tmp_path_factory, trial):
    """The same machine with a backplane that pulls its data lines."""

    def of(pull):
        base = Machine.load("demo:keyboard-test").description.path
        file = tmp_path_factory.mktemp(pull) / "machine.toml"
        file.write_text(f"base = '{base}'\nbackplane.open_bus = '{pull}'\n")
        return Trial.of(Machine.load(file), trial.cycles)

    return of


@pytest.mark.parametrize("fault", ["slot 2: pin D5 open", "slot 1: card removed", "slot 1: pin D0 late"])
@pytest.mark.parametrize("pull", ["pull-up", "pull-down"])
def test_a_true_fault_on_a_bus_that_pulls_is_not_refuted_whether_the_machine_file_says_so_or_not(
    fault, pull, pulled, trial
):
    own = pulled(pull)
    captured = capture(own, fault)[:4_000]
    found = [Following(captured, one).left_over(fault) for one in (own, trial)]
    assert [one.words for one in found] == ["", ""]
    assert found[0].floating == ""


@pytest.mark.parametrize("pin", ["D5", "D0"])
def test_an_open_pin_whose_line_goes_by_chance_is_not_refuted(pin, trial):
    captured = capture(trial, f"slot 2: pin {pin} high", f"slot 2: pin {pin} low, 1 in 2")
    left = Following(captured, trial).left_over(f"slot 2: pin {pin} open")
    assert left.words == ""
    assert "do not keep what was on them" in left.floating


def left(trial, fault, *faults):
    """What it leaves of a capture of a machine with others: by itself, whatever is asked before it is."""
    machine = trial.machine(trial.seeds[0], fault)
    return Floating.of(machine, led(machine, capture(trial, *faults)), Given(trial.machine(trial.seeds[0])))


@pytest.mark.parametrize(
    ("fault", "faults", "words"),
    [
        ("slot 2: pin D2 open", ["slot 2: pin D2 inverted"], "neither ROM (slot 2) nor another card would drive it"),
        ("slot 2: pin D2 late", [], "ROM (slot 2) would drive D2 too late"),
        ("slot 1: pin D1 open", ["slot 2: pin D2 inverted"], "neither RAM (slot 1) nor another card would drive it"),
        ("slot 1: card removed", ["slot 2: pin D2 inverted"], "no card would drive it"),
        ("slot 2: transceiver never enabled", [], "nor another card would drive it"),
    ],
)
def test_who_leaves_a_line_alone_that_goes_by_the_address_is_refuted(fault, faults, words, trial):
    found = left(trial, fault, *faults)
    assert found.driven
    assert f"in cycle {found.driven[0]} of the capture: D" in found.words
    assert words in found.words


def test_who_leaves_something_driven_is_no_cause(trial):
    found = Following(capture(trial, "slot 2: pin D2 inverted"), trial).left_over("slot 2: pin D2 open")
    assert found.cycles > 100
    assert "though neither ROM (slot 2) nor another card would drive it" in found.words


def test_a_misread_bit_of_what_the_cpu_takes_from_lines_that_nobody_drives_refutes_nobody(trial):
    """It executes the byte that the lines keep, $23; the capture has $22 now and then, which takes one byte more."""
    seen = capture(trial, "slot 1: card removed")[2_500:6_500]
    bit = np.uint64(1 << seen.names.index("D0"))
    levels = seen.levels.copy()
    levels[500::900] &= ~bit
    spoilt = Captured(seen.names, levels, seen.known, seen.time, seen.lost)
    machine = trial.machine(trial.seeds[0], "slot 1: card removed")
    assert led(machine, spoilt).disagreements
    assert Following(spoilt, trial).left_over("slot 1: card removed").words == ""
