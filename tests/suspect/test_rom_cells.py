"""Bits of a ROM become candidates where a capture shows them, and nowhere else."""

import attrs
import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.machine.machine import Machine
from simkit.records.observed import Observer
from simkit.suspect.equal import decoded
from simkit.suspect.rank import rank
from simkit.suspect.rom_cells import ROM_CELL, rom_cells
from simkit.suspect.runs import _run, run_all
from simkit.suspect.seen import SeenCapture
from tests.suspect.conftest import Here
from tests.suspect.test_search import FULL, SEED, seen


def captured(trial, fault, *, errors=0.01, cycles=60_000, seed=5):
    """What an analyser saw, one line wrong in some of the cycles."""
    machine = trial.machine(SEED, fault)
    with Observer(machine, FULL) as observer:
        machine.run_to(trial.cycles)
    levels = observer.observed.levels[:cycles].copy()
    random = np.random.default_rng(seed)
    wrong = random.random(len(levels)) < errors
    bits = np.uint64(1) << random.integers(0, len(FULL), len(levels)).astype(np.uint64)
    levels[wrong] ^= bits[wrong]
    known = np.full(len(levels), (1 << len(FULL)) - 1, np.uint64)
    return Captured(tuple(FULL), levels, known, np.arange(len(levels)) / 2e6, np.zeros(len(levels), bool))


def flipped(trial, address, bit):
    """Sentence of a bit of keyboard-test's ROM that reads otherwise."""
    is_high = trial.machine(1).peek(address) >> bit & 1
    return f"slot 2: bit {bit} of ${address:04X} {'low' if is_high else 'high'}"


def sentences(trial, seen_there):
    return [one.sentence for one in rom_cells(trial.machine(1), seen_there)]


@pytest.mark.parametrize(("address", "bit"), [(0x8299, 2), (0x8222, 5)], ids=["in a loop", "once"])
def test_a_bit_of_the_rom_that_reads_wrong_is_found_in_the_capture_and_is_the_first_group_alone(
    trial, outcomes, address, bit
):
    fault = flipped(trial, address, bit)
    shown = seen(trial, fault, FULL, 12_000)
    found = rom_cells(trial.machine(1), shown)
    assert [str(one) for one in found] == [fault]
    catalogued = [one for own in outcomes.classes.values() for one in own]
    candidates = [*catalogued, *outcomes.not_shown, *found]
    assert not outcomes.has(candidates)
    ran = list[str]()

    class Counted(Here):
        def submit(self, call, /, *arguments, **words):
            ran.extend(arguments[2] if call is _run else ())
            return super().submit(call, *arguments, **words)

    more = run_all(trial, candidates, executor=Counted(), known=outcomes)  # what was run is taken
    assert ran == [fault]
    assert more.is_whole
    assert more.of_kind(ROM_CELL) == list(found)
    ranking = rank(more, [SeenCapture(shown)])
    assert ranking.first == (fault,)
    assert not ranking.none


def test_a_byte_of_which_several_bits_are_wrong_is_told_as_a_byte(trial):
    for fault in ("slot 2: byte at $8299 = $D0", "slot 2: byte at $8222 = $B5"):
        assert sentences(trial, seen(trial, fault, FULL, 12_000)) == [fault]


@pytest.mark.parametrize(("errors", "seed"), [(0, 1), (0.01, 2), (0.01, 3), (0.1, 4)])
def test_a_capture_of_a_sound_machine_gives_none_however_noisy(trial, errors, seed):
    assert not sentences(trial, captured(trial, "", errors=errors, seed=seed))


@pytest.mark.parametrize(
    "fault", ["slot 2: pin D3 low", "slot 2: pin D3 high", "D0 exchanged with D1", "slot 2: pin A1 low", "D5 low"]
)
def test_a_line_that_is_wrong_everywhere_gives_none(trial, fault):
    assert not sentences(trial, seen(trial, fault, FULL, 12_000))


def test_a_capture_without_an_address_line_or_r_w_or_data_gives_none_and_some_data_lines_are_enough(trial):
    fault = flipped(trial, 0x8299, 2)
    whole = seen(trial, fault, FULL, 12_000)
    for missing in ("A9", "RW"):
        assert not sentences(trial, without(whole, [missing]))
    assert not sentences(trial, without(whole, [f"D{n}" for n in range(8)]))
    assert sentences(trial, without(whole, ["D0", "D7", "SYNC"])) == [fault]
    assert not sentences(trial, without(whole, ["D2"]))
    assert not sentences(trial, whole[:0])


def without(whole, names):
    """The capture with these lines not clipped on."""
    left = [name for name in whole.names if name not in names]
    levels, known = whole.gathered(left)
    return Captured(tuple(left), levels, known, whole.time, whole.lost)


def test_a_byte_seen_at_a_wrong_address_again_and_again_is_the_noise_of_a_loop(trial):
    """An address that nobody reads, but for a probe on A9 that is wrong once in 200 cycles."""
    sound = captured(trial, "", errors=0)
    bit = np.uint64(1 << 9)
    levels = sound.levels.copy()
    levels[::199] ^= bit
    assert not sentences(trial, attrs.evolve(sound, levels=levels))


def test_bits_of_a_rom_make_machines_of_their_own_and_two_sentences_for_one_byte_the_same():
    machine = Machine.load("demo:keyboard-test")
    held = machine.peek(0x8299)
    one, same, other = (
        decoded(Machine(machine.description.with_faults([fault]), machine.images())).key
        for fault in (
            f"slot 2: bit 0 of $8299 {'low' if held & 1 else 'high'}",
            f"slot 2: byte at $8299 = ${held ^ 1:02X}",
            "slot 2: bit 1 of $8299 inverted",
        )
    )
    assert one == same != other
    assert decoded(machine).key not in (one, other)
