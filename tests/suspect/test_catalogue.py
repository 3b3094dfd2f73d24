"""Which faults the search knows, and which of them it leaves out with reason."""

import numpy as np
import pytest

from simkit.backplane.fault_sentences import read_fault
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.machinefile.read import read_description
from simkit.records.observed import Observer
from simkit.suspect.catalogue import catalogue, neighbours
from simkit.suspect.equal import decoded
from simkit.suspect.exercised import exercised, exercised_by
from simkit.suspect.trial import Trial

CYCLES = 30_000


@pytest.fixture(scope="module")
def trial():
    return Trial.of(Machine.load("demo:marlpit"), CYCLES)


def test_each_candidate_is_a_sentence_that_reads_back_to_itself_and_stands_once():
    found = catalogue(read_description("demo:marlpit"))
    assert [str(read_fault(one.sentence)) for one in found] == [one.sentence for one in found]
    assert len({one.sentence for one in found}) == len(found) > 1000


@pytest.mark.parametrize("demo", ["banks-test", "monitor"])
def test_a_machine_with_more_address_pins_than_the_cpu_has_candidates_too(demo):
    description = Machine.load(f"demo:{demo}").description
    candidates = catalogue(description)
    assert len(candidates) > 1000
    for one in candidates[::97]:
        assert str(read_fault(one.sentence)) == one.sentence


def test_every_kind_of_fault_that_wiring_settings_and_supply_can_have_is_among_them():
    kinds = {one.kind for one in catalogue(read_description("demo:marlpit"))}
    wanted = {"low", "high", "open", "inverted", "shorted", "exchanged", "late", "select", "strobe", "setting"}
    assert kinds >= wanted | {"removed", "supply", "joined", "transceiver", "not pulled"}


def test_neighbours_are_lines_of_neighbouring_number_and_those_beside_each_other_on_memory_chips():
    """A14 and A12, A13 and A8, A9 and A11 are neighbours on 28-pin byte-wide memories. JEDEC Standard 21-C."""
    pairs = neighbours([f"A{n}" for n in range(16)])
    assert {("A14", "A12"), ("A12", "A7"), ("A13", "A8"), ("A9", "A11"), ("A3", "A4")} <= set(pairs)
    assert ("A0", "A15") not in pairs


def test_a_candidate_that_is_left_out_as_not_shown_makes_no_difference_on_any_line(trial):
    made = exercised(trial)
    sound = _levels(trial.machine(trial.seeds[1]))
    left = [one for one in catalogue(trial.description)[::19] if _is_left_out(trial, made, one.sentence)]
    assert len(left) > 10
    for one in left[::3]:
        assert _levels(trial.machine(trial.seeds[1], one.sentence)) == sound, one.sentence


def test_a_line_that_a_card_decodes_alone_moves_none_of_its_pins_and_a_pin_counts_where_the_card_is_reached(trial):
    made = exercised(trial)
    sound = _levels(trial.machine(trial.seeds[1]))
    for sentence in ("slot 4: line A8 high", "slot 3: line A5 exchanged with A6", "slot 5: line A9 open"):
        assert decoded(trial.machine(trial.seeds[0], sentence)).pins == made.sound.pins, sentence
        assert _is_left_out(trial, made, sentence), sentence
        assert _levels(trial.machine(trial.seeds[1], sentence)) == sound, sentence
    only_elsewhere = exercised_by(made.sound, _reads_at(0x7F20), made.card_accesses, banked=False)
    assert _is_left_out(trial, only_elsewhere, "slot 4: pin A0 low")
    where_it_moves = exercised_by(made.sound, _reads_at(0x7F21), made.card_accesses, banked=False)
    assert not _is_left_out(trial, where_it_moves, "slot 4: pin A0 low")


def _reads_at(address):
    pairs = np.zeros((2, 0x1_0000, 256), bool)
    pairs[0, address, 0] = True
    return pairs


def _is_left_out(trial, made, sentence):
    try:
        return not made.is_shown(trial.machine(trial.seeds[0], sentence))
    except SimkitError:
        return False


def _levels(machine):
    with Observer(machine) as observer:
        machine.run_to(CYCLES)
    return observer.observed.levels.tobytes()
