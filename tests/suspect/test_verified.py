"""Candidates that are near are verified against a capture of the whole bus, on a machine with the fault in it."""

import math

import attrs
import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.compare.cells import FEED, Cells
from simkit.compare.followed import Difference
from simkit.contract.errors import SimkitError
from simkit.records.observed import Observer
from simkit.suspect import explained
from simkit.suspect.catalogue import catalogue
from simkit.suspect.chance import SELDOM, is_more_than_chance
from simkit.suspect.followed import Following
from simkit.suspect.given import apart_on_the_lines
from simkit.suspect.held import impossible_on_the_lines
from simkit.suspect.left_over import instructions
from simkit.suspect.more import More
from simkit.suspect.outcomes import SOUND
from simkit.suspect.rank import rank
from simkit.suspect.runs import run_all
from simkit.suspect.seen import SeenCapture
from tests.suspect.conftest import FULL, Here

SEED, CYCLES = 777, 12_000
FEWEST = 30
"""Rows of a CPU that halts soon, of which the half says nothing."""


def capture(trial, *faults, begin=0, seed=SEED):
    """From a power-up that no search has had, one cycle in a hundred wrong in a bit, some missing."""
    described = attrs.evolve(trial, description=trial.description.with_faults(list(faults))) if faults else trial
    machine = described.machine(seed)
    with Observer(machine, FULL) as observer:
        machine.run_to(begin + CYCLES)
    levels = observer.observed.levels[begin:].copy()
    count = len(levels)
    random = np.random.default_rng(3)
    wrong = random.random(count) < 0.01
    levels[wrong] ^= (np.uint64(1) << random.integers(0, len(FULL), count).astype(np.uint64))[wrong]
    kept, lost = np.ones(count, bool), np.zeros(count, bool)
    for gap in (gap for gap in (2_000, 7_000) if gap + 3 < count):  # a CPU that halts leaves no more
        kept[gap : gap + 3], lost[gap + 3] = False, True
    known = np.full(count, (1 << len(FULL)) - 1, np.uint64)
    return Captured(tuple(FULL), levels[kept], known[kept], np.arange(count, dtype=float)[kept], lost[kept])


@pytest.mark.parametrize(
    "fault", ["slot 2: pin D3 low", "D0 exchanged with D1", "slot 2: line A4 exchanged with A5", "slot 5: pin D6 low"]
)
def test_the_machine_with_the_fault_that_is_there_leaves_nothing_of_a_capture(trial, fault):
    left = Following(capture(trial, fault), trial).left_over(fault)
    assert left is not None
    assert (left.cycles, left.words) == (0, "")


def test_a_capture_of_a_loop_leaves_nothing_wherever_it_begins(trial):
    """In a loop lines stand still for a while: that makes none of them one that is held."""
    whole = capture(trial)
    left = [Following(whole[at : at + 500], trial).left_over(SOUND) for at in (*range(10, 8_000, 800), 4_968, 5_597)]
    assert [(one.cycles, one.words) for one in left] == [(0, "")] * len(left)


def test_a_byte_of_a_program_that_no_candidate_has_is_told_with_its_cycle_and_place(trial, outcomes):
    wrong = "slot 2: byte at $822B = $A1", "slot 2: byte at $8259 = $25"
    found = rank(outcomes, [SeenCapture(capture(trial, *wrong))], more=More(trial, outcomes.names))
    assert found.none
    assert "in cycle " in found.misfit
    assert "ROM (slot 2) holds" in found.misfit
    assert "$822B" in found.misfit or "$8259" in found.misfit


def test_a_byte_of_a_program_is_wrong_in_an_eeprom_too_which_nobody_writes_to(trial):
    wrong = "slot 2: byte at $822B = $A1", "slot 2: byte at $8259 = $25"
    left = Following(capture(trial, *wrong), trial).left_over("slot 2: setting part = 28C256")
    assert left.cycles
    assert "$822B" in left.words or "$8259" in left.words
    assert Following(capture(trial), trial).left_over("slot 2: setting part = 28C256").cycles == 0


def test_what_an_eeprom_holds_counts_from_the_start_until_it_is_written_to(trial):
    machine = trial.machine(SEED, "slot 2: setting part = 28C256")
    cells = Cells(machine)
    assert cells.expected(0x8040) == machine.peek(0x8040)
    assert cells.expected(0x9234) == machine.peek(0x9234)
    cells.write_at(0x0200)  # RAM
    assert cells.expected(0x8040) == machine.peek(0x8040)
    cells.write_at(0x8123)
    assert cells.read_at(0x8040) == cells.read_at(0x9234) == FEED


def test_a_single_fault_with_a_wrong_program_is_explained_by_neither(trial, outcomes):
    faults = "slot 5: pin D6 low", "slot 2: byte at $822B = $A1", "slot 2: byte at $8259 = $25"
    assert rank(outcomes, [SeenCapture(capture(trial, *faults))], more=More(trial, outcomes.names)).none


def test_a_true_fault_stays_first_when_it_is_verified_and_what_leaves_something_falls_behind(trial, outcomes):
    fault = "slot 2: line A4 exchanged with A5"
    found = rank(outcomes, [SeenCapture(capture(trial, fault))], more=More(trial, outcomes.names))
    assert found.first == (fault,)
    assert not found.none


@pytest.mark.parametrize("fault", ["slot 2: line A4 exchanged with A5", SOUND])
@pytest.mark.parametrize("rows", [0, 6_000])
def test_who_would_stay_if_the_cpu_model_were_asked_stays_where_it_is_not(fault, rows, trial, outcomes, monkeypatch):
    seen = [SeenCapture(capture(trial, *([fault] if fault else []))[:3_000])]
    whole = rank(outcomes, seen, more=More(trial, outcomes.names))
    monkeypatch.setattr(explained, "MOST_ROWS", rows)
    monkeypatch.setattr(explained, "FAR_ROWS", 0)
    short = rank(outcomes, seen, more=More(trial, outcomes.names))
    assert {*whole.first} <= {*short.first}
    assert not short.none


def test_candidates_that_do_what_a_sound_machine_does_where_the_capture_is_are_followed_once_for_all(trial):
    following = Following(capture(trial), trial)
    before = following.left_over(SOUND)
    rows = following.rows
    assert following.left_over("slot 5: pin D6 exchanged with D7") is not None
    followed = following.rows
    assert following.left_over("slot 4: line A12 low") is before
    assert following.rows == followed >= rows


@pytest.mark.parametrize("fault", ["slot 2: pin D1 low", "slot 2: pin D3 high", "slot 2: pin D6 low"])
def test_a_fault_with_which_every_byte_has_come_as_it_makes_them_is_followed_by_itself(fault, trial):
    """With D1 of the ROM low no captured byte of it has D1 high: by these bytes the fault seems to change nothing."""
    following = Following(capture(trial, fault)[:200], trial)
    assert following.left_over(SOUND).cycles
    assert following.left_over(fault).cycles == 0


def test_of_a_fault_that_comes_and_goes_it_is_said_that_it_cannot_be_followed(trial):
    assert Following(capture(trial), trial).left_over("slot 2: answers late, 1 in 100") is None


@pytest.fixture(scope="module")
def seen_open_d5(trial):
    """From the middle on: what cards other than memory answer is not known."""
    return capture(trial, "slot 2: pin D5 open", begin=50)[:3_000]


@pytest.fixture(scope="module")
def open_d5(seen_open_d5, trial):
    return Following(seen_open_d5, trial)


def test_a_rom_with_an_open_pin_is_held_to_the_pins_that_are_joined_wherever_the_capture_begins(open_d5):
    own, other = (open_d5.left_over(f"slot 2: pin {pin} open") for pin in ("D5", "D0"))
    assert (own.cycles, own.floating) == (0, "")
    assert own.told > 0.9
    assert other.words.startswith("in cycle 2 of the capture: At $A03B ROM (slot 2)")


def test_of_a_part_that_answers_nothing_it_is_asked_whether_the_lines_keep_what_was_on_them(open_d5, trial):
    left = open_d5.left_over("slot 2: card removed")
    assert left.cycles == 0
    assert "lines that nobody would drive do not keep what was on them" in left.floating
    removed = Following(capture(trial, "slot 5: card removed"), trial).left_over("slot 5: card removed")
    assert (removed.cycles, removed.floating) == (0, "")
    assert removed.told > 0.9


@pytest.mark.parametrize("fault", ["D5 late", "D5 open"])
def test_what_the_cpu_alone_takes_otherwise_is_still_held_to_what_the_rom_puts_on_the_backplane(
    fault, seen_open_d5, open_d5, trial
):
    assert open_d5.left_over(fault).cycles > 30
    rows, words = apart_on_the_lines(trial.machine(SEED, fault), seen_open_d5)
    assert len(rows) > 100
    assert "(slot 2)" in words
    assert Following(capture(trial, fault)[:1_900], trial).left_over(fault).cycles == 0  # none is missing there


def test_what_is_left_in_one_row_after_the_other_is_many_instructions():
    rows = [Difference(row, 0, 0, None, 0, 0, 0, 1, 0, 1, False) for row in range(100)]
    assert instructions(rows) > 10
    assert instructions(rows[:8]) == 1
    assert instructions(rows[::50]) == 2


@pytest.mark.parametrize("mean", [0.5, 3.0, 40.0])
def test_chance_makes_so_many_seldom_where_that_is_said(mean):
    """Poisson's law by its terms: nothing that comes oftener than SELDOM is called too much."""

    def tail(count):
        return 1 - sum(math.exp(-mean) * mean**n / math.factorial(n) for n in range(count))

    first = next(count for count in range(1000) if is_more_than_chance(count, mean))
    assert tail(first) < SELDOM
    assert not is_more_than_chance(int(mean), mean)
    assert first <= mean + 6 * math.sqrt(mean) + 6


def test_a_line_that_a_fault_holds_does_not_move_in_a_capture_of_it(trial):
    moving = capture(trial)[:2_000]
    following = Following(moving, trial)
    for fault in ("A4 high", "A5 shorted to A6", "D1 low", "RW high"):
        left = following.left_over(fault)
        assert left.cycles > 1, fault
        assert "cannot be, as the lines are held then" in left.words
        assert Following(capture(trial, fault)[:2_000], trial).left_over(fault).words == "", fault
    few = attrs.evolve(moving, levels=moving.levels | np.uint64(1 << FULL.index("A4")))
    few.levels[::500] ^= np.uint64(1 << FULL.index("A4"))  # apart from one another: wrong bits of an analyser
    machine = trial.machine(SEED, "A4 high")
    assert impossible_on_the_lines(machine, few)[0] == []
    few.levels[1_000:1_004] &= ~np.uint64(1 << FULL.index("A4"))
    assert len(impossible_on_the_lines(machine, few)[0]) == 7


def test_a_fault_of_which_no_run_goes_the_way_of_the_capture_is_found_by_the_cpu_model(trial, outcomes):
    """What it does hangs on the power-up: its runs, which are those of another one here, all go astray at once."""
    fault, astray = "slot 2: line A4 exchanged with A5", "slot 2: pin D3 low"
    runs = {name: outcomes.runs[astray] if name == fault else own for name, own in outcomes.runs.items()}
    runs[astray] = outcomes.runs[SOUND]
    odd = attrs.evolve(outcomes, runs=runs)
    found = rank(odd, [SeenCapture(capture(trial, fault))], more=More(trial, outcomes.names))
    assert found.first == (fault,)
    assert not found.none
    without = attrs.evolve(odd, runs={name: own for name, own in runs.items() if name != fault})
    assert rank(without, [SeenCapture(capture(trial, fault))], more=More(trial, outcomes.names)).none


def test_of_those_whose_runs_are_the_same_the_cpu_model_tells_which_it_is(trial, outcomes):
    """All of them went the same way under the power-ups of the search; the real machine went another."""
    fault, first = "slot 2: line A4 exchanged with A5", "slot 2: pin D3 low"
    runs = {name: outcomes.runs[first] if name == fault else own for name, own in outcomes.runs.items()}
    alike = attrs.evolve(outcomes, runs={SOUND: runs[SOUND], first: runs[first]} | runs)
    assert [first, fault] in alike.shown_alike
    found = rank(alike, [SeenCapture(capture(trial, fault)[:3_000])], more=More(trial, outcomes.names))
    assert found.first == (fault,)
    assert not found.none


def test_with_whom_the_cpu_hardly_goes_along_is_no_cause(trial, outcomes):
    """D1 and D2 of all reads are exchanged: the machine without a fault is out of step soon, and nothing differs."""
    fault = "D1 exchanged with D2"
    candidates = [one for own in outcomes.classes.values() for one in own]
    candidates += [one for one in catalogue(trial.description) if one.sentence == fault]
    own = run_all(trial, candidates, executor=Here(), known=outcomes)
    captured = capture(trial, fault, seed=779)[:4_000]
    following = Following(captured, trial)
    assert "cycles can be what the CPU does then" in following.left_over(SOUND).words
    assert following.left_over(SOUND).followed < 0.2 * following.left_over(fault).followed
    assert rank(own, [SeenCapture(captured)], more=More(trial, outcomes.names)).first == (fault,)
    assert rank(outcomes, [SeenCapture(captured)], more=More(trial, outcomes.names)).none


@pytest.mark.parametrize("seed", [SEED, 778, 779])
def test_a_cpu_that_lets_go_by_chance_is_held_to_what_the_lines_keep_then(seed, trial):
    """BE open: no card answers now and then, and the data lines keep what was on them."""
    fault = "CPU: BE open"
    left = Following(capture(trial, fault, seed=seed), trial).left_over(fault)
    assert (left.cycles, left.words) == (0, "")


@pytest.mark.parametrize(
    "faults", [("slot 2: pin D4 low",), ("A14 exchanged with A15",), ("slot 2: line A14 open", "slot 2: pin D4 low")]
)
def test_what_no_cpu_that_lets_go_would_take_or_put_out_says_so(faults, trial):
    left = Following(capture(trial, *faults), trial).left_over("CPU: BE open")
    assert left.words


@pytest.mark.parametrize(
    "fault", ["PHI2 doubled, 1 in 300", "slot 2: PHI2 missing, 1 in 500", "slot 1: pins D0 to D7 late, 1 in 40"]
)
def test_a_cpu_does_not_let_go_for_so_few_cycles(fault, trial):
    """BE that floats low is so for many cycles on end: memory does not answer there, before and behind it does."""
    left = Following(capture(trial, fault), trial).left_over("CPU: BE open")
    assert "BE would be low" in left.words


def test_a_cpu_that_never_let_go_is_one_without_a_fault(trial):
    following = Following(capture(trial, "slot 1: pin D0 low"), trial)
    assert following.left_over("CPU: BE open") == following.left_over(SOUND)
    assert following.left_over(SOUND).cycles


def with_data(captured, rows, lines):
    """The same with data lines of some rows otherwise."""
    found = attrs.evolve(captured, levels=captured.levels.copy())
    found.levels[rows] ^= np.uint64(lines << FULL.index("D0"))
    return found


def reads(captured, address):
    """Rows in which an address is read."""
    return np.flatnonzero(captured.levels & np.uint64(0x100FFFF) == np.uint64(0x100_0000 | address))


def test_two_bytes_side_by_side_of_which_several_lines_are_wrong_refute_who_does_not_have_them(trial):
    sound = capture(trial)
    machine = trial.machine(SEED)
    rows = [int(reads(sound, address)[0]) for address in (0xFFFC, 0xFFFD)]
    captured = with_data(sound, rows, 0x42)
    assert apart_on_the_lines(machine, captured)[0] == rows
    assert "ROM (slot 2) puts" in apart_on_the_lines(machine, captured)[1]
    assert apart_on_the_lines(trial.machine(SEED, "slot 5: card removed"), captured)[0] == rows
    faults = [f"slot 2: byte at ${at:04X} = ${machine.peek(at) ^ 0x42:02X}" for at in (0xFFFC, 0xFFFD)]
    described = attrs.evolve(trial, description=trial.description.with_faults(faults))
    assert apart_on_the_lines(described.machine(SEED), captured) == ([], "")
    assert apart_on_the_lines(machine, with_data(sound, rows, 0x08)) == ([], "")  # one line each may be misread
    filler = with_data(sound, rows, 0)
    for row in rows:  # what stands at many addresses of the ROM; but RESET fetches its vector from one place
        filler.levels[row] |= np.uint64(0xFF << FULL.index("D0"))
    assert apart_on_the_lines(machine, filler)[0] == rows
    assert apart_on_the_lines(machine, with_data(sound, rows[:1], 0x42)) == ([], "")


def test_the_same_byte_with_several_lines_wrong_again_and_again_is_no_noise(trial):
    sound = capture(trial)
    address = max(range(0x8000, 0x8200), key=lambda address: len(reads(sound, address)))
    rows = reads(sound, address)[:9]
    machine = trial.machine(SEED)
    assert apart_on_the_lines(machine, with_data(sound, rows, 0x03))[0] == rows.tolist()
    first = int(rows[0])  # once, and in the next cycle several lines besides, or one, or none
    assert apart_on_the_lines(machine, with_data(sound, [first, first + 1], 0x11))[0] == [first, first + 1]
    beside = with_data(with_data(sound, [first], 0x03), [first + 1], 0x10)
    assert apart_on_the_lines(machine, beside) == ([], "")
    assert apart_on_the_lines(machine, with_data(sound, [first], 0x03)) == ([], "")


@pytest.mark.parametrize("line", ["A15", "A3", "RW", "D1"])
def test_rows_with_one_line_misread_here_and_there_refute_nobody(trial, line):
    few = capture(trial)
    assert apart_on_the_lines(trial.machine(SEED), few) == ([], "")
    few.levels[20 : 20 + 7 * 61 : 61] ^= np.uint64(1 << FULL.index(line))
    assert apart_on_the_lines(trial.machine(SEED), few) == ([], "")


@pytest.mark.slow
@pytest.mark.parametrize("begin", [0, 3_000])
def test_whichever_the_fault_its_own_run_leaves_nothing_of_itself(trial, begin):
    """Of 40 faults that chance draws, led along a run of theirs without noise."""
    chance = np.random.default_rng(begin)
    sentences = [one.sentence for one in catalogue(trial.description)]
    judged = 0
    for at in chance.permutation(len(sentences))[:40].tolist():
        try:
            machine = trial.machine(SEED, sentences[at])
        except SimkitError:  # there can be no such machine
            continue
        machine.run_to(begin)
        with Observer(machine, FULL) as observer:
            machine.run_to(machine.cycle + 3_000)
        levels = observer.observed.levels
        count = len(levels)
        if machine.cycle < begin or count < 2 * FEWEST:
            continue
        whole = np.full(count, (1 << len(FULL)) - 1, np.uint64)
        seen = Captured(tuple(FULL), levels, whole, np.arange(count, dtype=float), np.zeros(count, bool))
        left = Following(seen, trial).left_over(sentences[at])
        assert left is None or left.words == "", sentences[at]
        judged += left is not None
    assert judged > 20
