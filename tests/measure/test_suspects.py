"""How the search is measured: symptoms where something is wrong, rates that are right, work that goes on."""

import json
from concurrent.futures import ThreadPoolExecutor

import attrs
import numpy as np
import pytest

from simkit.commands.main import main
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.measure import suspects
from simkit.measure.played import PLAYED
from simkit.measure.rates import percentile, wilson
from simkit.measure.suspect_table import as_dict, keep, kept, row_of, table
from simkit.measure.suspects import OUTSIDE, SINGLE, Judged, Measurement, Tried
from simkit.measure.symptoms import EIGHT_CYCLES, KINDS, WRONG_BITS, Truth, symptom
from simkit.suspect.catalogue import Candidate

NAMES = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC", "4.select", "IRQ")


def judged(**words):
    usual = Judged("capture", "pad-test", "slot 4: D3 low", SINGLE, False, True, 4, 2, True, 0.5, "slot 4: D3 low")
    return attrs.evolve(usual, **words)


def run_of(seed, count=30_000, wrong_from=None, text="A", colour=1):
    levels = np.random.default_rng(seed).integers(0, 1 << len(NAMES), count, dtype=np.uint64)
    if wrong_from is not None:
        levels[wrong_from:] ^= np.uint64(1 << 19)  # D3
    return Truth(NAMES, levels, np.full((4, 4), colour, np.uint8), text)


# --- rates ------------------------------------------------------------------------------------------------------------


def test_an_interval_is_that_of_the_score_and_never_leaves_0_to_1():
    low, high = wilson(95, 100)
    assert (low, high) == (pytest.approx(0.888, abs=1e-3), pytest.approx(0.978, abs=1e-3))
    assert wilson(0, 0) == (0.0, 1.0)
    assert wilson(0, 10)[0] == 0
    assert wilson(10, 10)[1] == pytest.approx(1.0)


def test_a_percentile_is_one_of_the_values():
    assert [percentile([5, 1, 9, 3], part) for part in (0.5, 0.75, 0.9, 1.0)] == [3, 5, 9, 9]
    assert percentile([], 0.5) == 0


# --- symptoms ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_without_a_difference_there_is_no_symptom(kind):
    assert symptom(kind, run_of(1), run_of(1), np.random.default_rng(2)) is None


def test_a_capture_holds_the_place_where_it_goes_wrong_spoilt_as_said():
    real, sound = run_of(1, wrong_from=9_000), run_of(1)
    seen = symptom("capture", real, sound, np.random.default_rng(2)).captured
    assert len(seen.names) >= 24
    assert seen.time[0] == 0
    levels, _ = seen.gathered(seen.names)
    begins = np.flatnonzero(_spread(real.levels, seen.names) == levels[5]) - int(seen.time[5])
    wrongs = [_wrong(seen, levels, real, int(begin)) for begin in begins if 0 <= begin <= 9_000]
    assert 0.5 * WRONG_BITS < min(wrongs) < 1.6 * WRONG_BITS
    assert 0 < seen.lost.mean() < 0.01


def _wrong(seen, levels, real, begin):
    """Share of the cycles in which a capture that begins there is not as the run."""
    wanted = _spread(real.levels[begin + seen.time.astype(int)], seen.names)
    return float((levels != wanted).mean())


def _spread(words, names):
    found = np.zeros(len(words), np.uint64)
    for place, name in enumerate(names):
        found |= (words >> np.uint64(NAMES.index(name)) & np.uint64(1)) << np.uint64(place)
    return found


def test_eight_channels_are_eight_lines_of_so_many_cycles_and_may_see_nothing():
    real, sound = run_of(1, wrong_from=20_000), run_of(1)
    found = [symptom("eight", real, sound, np.random.default_rng(seed)) for seed in range(40)]
    there = [one.captured for one in found if one is not None]
    assert 0 < len(there) < 40
    for captured in there:
        assert len(captured.names) == 8
        assert "D3" in captured.names
        assert EIGHT_CYCLES * 0.9 < len(captured) <= EIGHT_CYCLES


def test_pictures_and_texts_are_those_at_the_end():
    real, sound = run_of(1, text="B", colour=2), run_of(1)
    assert symptom("text", real, sound, np.random.default_rng(1)).text == "B"
    assert symptom("picture", real, sound, np.random.default_rng(1)).pixels[0, 0] == 2
    assert symptom("text", run_of(1, text=" \n"), sound, np.random.default_rng(1)) is None


# --- measuring --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def search():
    """A search of three candidates, on a run that is short."""
    short = attrs.evolve(PLAYED["pad-test"], seconds=PLAYED["pad-test"].seconds / 12)
    few = [
        Candidate("slot 4: pin D3 low", "slot 4", "low"),
        Candidate("slot 4: pin D6 inverted", "slot 4", "inverted"),
        Candidate("slot 4: pin D2 low", "slot 4", "low"),
    ]
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(1) as executor:
        patch.setitem(suspects.PLAYED, "pad-test", short)
        patch.setattr(suspects, "catalogue", lambda description: tuple(few))
        yield suspects.searched("pad-test", lambda part: True, executor=executor)


def test_faults_that_the_search_knows_come_first_and_are_measured_down_to_one(search):
    tried = list(Measurement(search, 5, ["capture"]).singles(3))
    found = [one for each in tried for one in each.judged]
    assert len(found) == 3
    assert {one.source for one in found} == {SINGLE}
    assert [one.best for one in found] == [one.fault for one in found]
    assert all(one.left and one.asked is not None for one in found if one.found)
    assert all(one.found is not one.none for one in found)


def test_work_goes_on_where_it_was(search):
    whole = list(Measurement(search, 5, ["picture"]).singles(3))
    rest = list(Measurement(search, 5, ["picture"], known=whole[:1]).singles(3))
    assert [strip(one) for one in (*whole[:1], *rest)] == [strip(one) for one in whole]
    assert list(Measurement(search, 5, ["picture"], known=whole).singles(3)) == []


def strip(tried):
    return tried.number, [attrs.evolve(one, seconds=0.0) for one in tried.judged]


def test_faults_from_outside_are_judged_by_the_program_that_notices_them(search):
    cases = [case for case in suspects.cases_of("pad-test") if "show_pad+77" in case.words]
    (tried,) = Measurement(search, 5, ["picture"]).from_outside(cases)
    assert tried.source == OUTSIDE
    assert [(one.source, one.found) for one in tried.judged] == [("program error", False)]


def test_every_program_notices_faults_from_outside():
    for program, played in PLAYED.items():
        assert len(suspects.cases_of(program)) >= 20
        assert Machine.load(played.machine).labels


# --- what is told -----------------------------------------------------------------------------------------------------


def test_a_row_counts_what_was_found_what_was_said_none_and_what_it_took():
    some = [
        judged(classes=8, asked=5),
        judged(classes=8, asked=6),
        judged(classes=1, asked=0),
        judged(found=False, none=True, asked=None, left=False),
        judged(kind="text"),
        judged(source="program error", found=False),
    ]
    row = row_of("capture", some)
    assert (row.pairs, row.found, row.none) == (4, 3, 1)
    assert (row.middle, row.most, row.asked, row.few, row.most_asked) == (8, 8, 3, 2, 6)


def test_a_table_tells_rates_with_what_chance_leaves_open_and_examples_of_misses():
    missed = judged(found=False, asked=None, left=False, best="slot 2: D1 low")
    none = judged(source="two faults", found=False, none=True)
    lines = table([Tried("pad-test", SINGLE, 0, (judged(), missed)), Tried("pad-test", OUTSIDE, 0, (none,))], KINDS)
    text = "\n".join(lines)
    assert "50.0% (9% to 91%)" in text
    assert "pad-test: slot 4: D3 low: slot 2: D1 low" in text
    assert "1 of 1" in text
    assert max(map(len, lines)) <= 200
    told = as_dict([Tried("pad-test", SINGLE, 0, (judged(), missed))], KINDS, 7)
    assert (told["seed"], told["single"][0]["found"]) == (7, 1)


def test_what_is_kept_reads_back_and_nothing_else_does(tmp_path):
    path, said = tmp_path / "measured.json", {"seed": 1}
    tried = [Tried("pad-test", SINGLE, 3, (judged(), judged(asked=None)))]
    assert kept(path, said) == []
    keep(path, said, tried)
    keep(path, said, tried)
    assert kept(path, said) == tried
    with pytest.raises(SimkitError, match="other options"):
        kept(path, {"seed": 2})
    whole = json.loads(path.read_text())
    for spoil in (
        lambda data: data.pop("tried"),
        lambda data: data["tried"][0]["judged"][0].update(classes="many"),
        lambda data: data.update(version=99),
    ):
        data = json.loads(json.dumps(whole))
        spoil(data)
        path.write_text(json.dumps(data))
        with pytest.raises(SimkitError, match="no measurement"):
            kept(path, said)


@pytest.fixture
def bench(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words):
        with pytest.raises(SystemExit) as ended:
            main(["bench", *words])
        told = capsys.readouterr()
        return ended.value.code, told.out, told.err

    return run


def test_the_command_prints_the_table_or_the_same_for_programs(bench, monkeypatch, tmp_path):
    def few(programs, pairs, seed, kinds, goes_on, *, known, session, most_outside):
        assert (programs, pairs, seed, kinds) == (["pad-test"], 2, 9, ["picture", "text"])
        for number in range(len(known), 2):
            yield Tried("pad-test", SINGLE, number, (judged(kind="picture"),))
            assert goes_on(0.5, "pad-test")

    monkeypatch.setattr(suspects, "measured", few)
    words = ("--suspect", "--pairs", "2", "--seed", "9", "--programs", "pad-test", "--kinds", "text,picture")
    code, out, _ = bench(*words)
    assert code == 0
    assert "picture on the screen" in out
    (tmp_path / "kept").mkdir()
    for _ in range(2):
        code, out, _ = bench(*words, "--session", "kept", "--json")
        assert code == 0
        assert json.loads(out)["single"][0]["pairs"] == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pairs", "3"), "Add --suspect"),
        (("--suspect", "--kinds", "smell"), "there is no 'smell'"),
        (("--suspect", "--programs", "pad-tset"), "pad-test"),
        (("--suspect", "--pairs", "0"), "1 to"),
        (("--suspect", "--seed", "-1"), "0 to"),
        (("--suspect", "--session", "nowhere"), "no such folder"),
        (("demo:marlpit", "--suspect"), "measured alone"),
    ],
)
def test_what_cannot_be_measured_is_told_in_words(bench, words, said):
    code, _, err = bench(*words)
    assert code == 2
    assert said in err
