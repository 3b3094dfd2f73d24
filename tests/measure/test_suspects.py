"""How the search is measured: symptoms where something is wrong, rates that are right, work that goes on."""

import json
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from types import SimpleNamespace

import attrs
import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from simkit.commands.main import main
from simkit.contract.errors import SimkitError
from simkit.measure import judging, suspect_state, suspects
from simkit.measure.further import SharedMore
from simkit.measure.judging import SINGLE, Case, Judged
from simkit.measure.outside import PROGRAM_ERROR, TWO_FAULTS, from_drawn
from simkit.measure.played import PLAYED
from simkit.measure.rates import percentile, wilson
from simkit.measure.suspect_state import keep, keep_misses, kept
from simkit.measure.suspect_table import as_dict, outside_row_of, row_of, table
from simkit.measure.suspects import Asked, Drawn, Measurement, Tried, judgements, shared_out, single_faults
from simkit.measure.symptoms import CAPTURE, EIGHT_CYCLES, KINDS, WRONG_BITS, Truth, symptom
from simkit.suspect.catalogue import Candidate
from simkit.suspect.unset import without_power_up

NAMES = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC", "4.select", "IRQ")


def judged(**words):
    usual = Judged(
        kind="capture",
        program="pad-test",
        fault="slot 4: D3 low",
        source=SINGLE,
        none=False,
        found=True,
        alike="",
        possible="",
        classes=4,
        apart=3,
        asked=2,
        left=True,
        seconds=0.5,
        best="slot 4: D3 low",
        misfit="",
        hidden=False,
        behind=0.0,
    )
    return attrs.evolve(usual, **words)


def run_of(seed, count=30_000, wrong_from=None, text="A", colour=1):
    levels = np.random.default_rng(seed).integers(0, 1 << len(NAMES), count, dtype=np.uint64)
    if wrong_from is not None:
        levels[wrong_from:] ^= np.uint64(1 << 19)  # D3
    return Truth(NAMES, levels, levels, np.full((4, 4), colour, np.uint8), text)


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
    seen = symptom("capture", real, sound, np.random.default_rng(2)).seen.captured
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


def test_what_memory_holds_that_nobody_wrote_is_no_symptom_but_what_was_written_is():
    read, d0 = 1 << NAMES.index("RW"), 1 << NAMES.index("D0")
    sound = np.arange(4_000, dtype=np.uint64) % 64 | np.uint64(read)  # 64 addresses are read again and again
    real = sound ^ np.uint64(5 * d0)
    memory = np.arange(0x1_0000) < 64

    def shown(memory):
        truths = [Truth(NAMES, one, without_power_up(one, NAMES, memory), None, "") for one in (real, sound)]
        return symptom(CAPTURE, *truths, np.random.default_rng(1))

    assert shown(memory) is None
    assert shown(memory & (np.arange(0x1_0000) != 9)) is not None  # there is something else at that address
    for one in (sound, real):
        one[1_000] ^= np.uint64(read)
    seen = shown(memory)
    assert seen.begin <= 1_000 < seen.begin + seen.cycles
    settled = [without_power_up(one, NAMES, memory) for one in (real, sound)]
    assert np.flatnonzero(settled[0] ^ settled[1]).tolist() == list(range(1_000, 4_000, 64))


def test_eight_channels_are_eight_lines_of_so_many_cycles_and_may_see_nothing():
    real, sound = run_of(1, wrong_from=20_000), run_of(1)
    found = [symptom("eight", real, sound, np.random.default_rng(seed)) for seed in range(40)]
    there = [one.seen.captured for one in found if one is not None]
    assert 0 < len(there) < 40
    for captured in there:
        assert len(captured.names) == 8
        assert "D3" in captured.names
        assert EIGHT_CYCLES * 0.9 < len(captured) <= EIGHT_CYCLES


def test_pictures_and_texts_are_those_at_the_end():
    real, sound = run_of(1, text="B", colour=2), run_of(1)
    assert symptom("text", real, sound, np.random.default_rng(1)).seen.text == "B"
    assert symptom("picture", real, sound, np.random.default_rng(1)).seen.pixels[0, 0] == 2
    assert symptom("text", run_of(1, text=" \n"), sound, np.random.default_rng(1)) is None


@pytest.mark.parametrize("kind", KINDS)
def test_of_two_faults_what_either_alone_shows_is_no_symptom(kind):
    sound, one = run_of(1), run_of(1, wrong_from=9_000, text="B", colour=2)
    both = attrs.evolve(one)
    assert symptom(kind, both, sound, np.random.default_rng(2), [run_of(1), one]) is None


def test_a_capture_of_two_faults_is_taken_where_it_is_unlike_both_and_not_before():
    sound, one, other = run_of(1), run_of(1, wrong_from=2_000), run_of(1)
    both = run_of(1, wrong_from=2_000)
    both.levels[20_000:] ^= np.uint64(1 << 17)  # D1: the second fault comes into play late
    seen = symptom(CAPTURE, both, sound, np.random.default_rng(2), [one, other])
    assert seen.begin <= 20_000 < seen.begin + seen.cycles
    assert seen.is_shown_by(both)
    assert not seen.is_shown_by(one)
    few = run_of(1, wrong_from=2_000)
    few.levels[20_000:20_500:50] ^= np.uint64(1 << 17)  # ten rows: noise spoils 200 of these
    assert symptom(CAPTURE, few, sound, np.random.default_rng(2), [one, other]) is None
    assert not symptom(CAPTURE, few, sound, np.random.default_rng(2)).is_hidden
    assert symptom(CAPTURE, few, one, np.random.default_rng(2)).is_hidden


@pytest.mark.parametrize(("kind", "other"), [("text", {"text": "A"}), ("picture", {"colour": 1})])
def test_a_picture_or_text_of_another_run_is_just_the_same_or_not(kind, other):
    seen = symptom(kind, run_of(1, text="B", colour=2), run_of(1), np.random.default_rng(1))
    assert seen.is_shown_by(run_of(3, text="B", colour=2))
    assert not seen.is_shown_by(run_of(3, **({"text": "B", "colour": 2} | other)))


def test_a_capture_of_another_run_is_the_same_where_no_more_is_different_than_noise_makes():
    real, sound = run_of(1, wrong_from=300), run_of(1)
    seen = symptom(CAPTURE, real, sound, np.random.default_rng(1))
    few, many = real.told.copy(), real.told.copy()
    few[seen.begin :: seen.cycles // 30] ^= np.uint64(1 << 19)
    many[seen.begin :: seen.cycles // 60] ^= np.uint64(1 << 19)
    assert seen.is_shown_by(attrs.evolve(real, told=few))
    assert not seen.is_shown_by(attrs.evolve(real, told=many))
    assert not seen.is_shown_by(sound)


# --- measuring --------------------------------------------------------------------------------------------------------


@given(
    st.integers(0, 500),
    st.dictionaries(st.sampled_from("abcdef"), st.none() | st.integers(0, 90), min_size=1),
)
def test_shares_are_even_where_they_can_be_and_all_that_is_wanted_where_it_is_there(wanted, gives):
    shares = shared_out(wanted, gives)
    assert list(shares) == list(gives)
    assert all(most is None or shares[name] <= most for name, most in gives.items())
    there = sum(most or 0 for most in gives.values())
    assert sum(shares.values()) == (wanted if None in gives.values() else min(wanted, there))
    free = [shares[name] for name, most in gives.items() if most is None or shares[name] < most]
    assert not free or max(shares.values()) <= min(free) + 1


@given(st.dictionaries(st.sampled_from("wxyz"), st.sets(st.integers(0, 30)), min_size=1), st.integers(0, 5))
def test_each_fault_is_dealt_to_one_program_of_those_that_can_have_it_and_evenly(there, seed):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(suspects, "trial_of", lambda name: SimpleNamespace(description=name))
        patch.setattr(suspects, "catalogue", lambda name: [Candidate(str(one), "", "") for one in there[name]])
        dealt = single_faults(tuple(there), seed)
        assert single_faults(tuple(there), seed) == dealt
    words = [case.words for own in dealt.values() for case in own]
    assert sorted(words) == sorted({str(one) for own in there.values() for one in own})
    assert all({int(case.words) for case in own} <= there[name] for name, own in dealt.items())
    assert all([case.number for case in own] == [*range(len(own))] for own in dealt.values())
    if len({frozenset(own) for own in there.values()}) == 1:
        assert max(map(len, dealt.values())) <= min(map(len, dealt.values())) + 1


@given(
    st.dictionaries(st.sampled_from(["pad-test", "slug-watch"]), st.lists(st.booleans(), max_size=9), min_size=1),
    st.integers(1, 12),
    st.integers(0, 9),
)
def test_so_many_faults_are_judged_as_are_wanted_of_those_that_are_noticed_and_no_more(notices, pairs, ends_after):
    cases = {name: [Case(name, SINGLE, at, str(at), ()) for at in range(len(own))] for name, own in notices.items()}

    def judge(seed, file, case, kinds):
        return Tried(case.program, SINGLE, case.number, (judged(),) * notices[case.program][case.number])

    asked = attrs.evolve(asked_for(["text"], pairs), programs=tuple(notices))
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(1) as executor:
        patch.setattr(suspects, "single_faults", lambda programs, seed: cases)
        patch.setattr(suspects, "_judge", judge)
        patch.setattr(Measurement, "_search", lambda *arguments: True)
        patch.setattr(Measurement, "_from_outside", lambda *arguments: [])
        first = list(islice(Measurement(asked, lambda *_: True, executor=executor).records(), ends_after))
        found = [*first, *Measurement(asked, lambda *_: True, known=first, executor=executor).records()]
    assert len({(one.program, one.number) for one in found}) == len(found)
    assert sum(bool(one.judged) for one in found) == min(pairs, sum(map(sum, notices.values())))
    for name, own in notices.items():
        tried = sorted(one.number for one in found if one.program == name)
        assert tried == [*range(len(tried))]
        assert not tried or own[tried[-1]] or len(tried) == len(own)


FEW = ("slot 4: pin D3 low", "slot 4: pin D6 inverted", "slot 4: pin D2 low")


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """A search of three candidates, on a run that is short, kept in a folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(suspects, "catalogue", lambda description: tuple(Candidate(one, "slot 4", "pin") for one in FEW))
        patch.setitem(PLAYED, "pad-test", attrs.evolve(PLAYED["pad-test"], seconds=PLAYED["pad-test"].seconds / 12))
        judging._real.cache_clear()
        yield tmp_path_factory.mktemp("search")
    judging._real.cache_clear()


def measure(folder, asked, **words):
    with ThreadPoolExecutor(1) as executor:
        return list(Measurement(asked, lambda part, what: True, session=folder, executor=executor, **words).records())


def asked_for(kinds, pairs=3, **words):
    return Asked(programs=("pad-test",), pairs=pairs, seed=5, kinds=tuple(kinds), most_outside=0, **words)


def test_faults_that_the_search_knows_come_first_and_are_measured_down_to_one(short):
    found = judgements(measure(short, asked_for(["capture"])))
    assert len(found) == 3
    assert {one.source for one in found} == {SINGLE}
    assert [one.best for one in found] == [one.fault for one in found]
    assert all(one.left and one.asked is not None for one in found if one.found)
    assert all(one.found is not one.none for one in found)
    assert all(1 <= one.apart <= one.classes for one in found if one.found)


def test_each_fault_is_judged_by_all_kinds_of_symptoms_that_it_gives(short):
    found = judgements(measure(short, asked_for(["picture", "text"], pairs=2)))
    assert len({one.fault for one in found}) == 2
    assert {one.kind for one in found if one.fault == found[0].fault} == {"picture", "text"}


def test_work_goes_on_where_it_was_and_says_the_same(short):
    asked = asked_for(["capture"])
    whole = measure(short, asked)
    again = measure(short, asked, known=[whole[1], whole[-1]])  # as processes finish: with gaps
    assert {type(one) for one in whole} == {Tried}
    assert sorted(map(strip, [whole[1], whole[-1], *again])) == sorted(map(strip, whole))
    assert measure(short, asked, known=whole) == []


def strip(record):
    return (
        repr(attrs.evolve(record, judged=tuple(attrs.evolve(one, seconds=0.0) for one in record.judged)))
        if (isinstance(record, Tried))
        else repr(record)
    )


def test_faults_from_outside_are_judged_by_the_program_that_notices_them(short, monkeypatch):
    case = from_drawn(TWO_FAULTS, "pad-test", FEW[:2])
    error = attrs.evolve(case, kind=PROGRAM_ERROR, faults=("slot 2: byte at $8040 = $EA",), parts=())
    monkeypatch.setattr(suspects, "outside", lambda labels: [case, error])
    found = judgements(measure(short, attrs.evolve(asked_for(["picture"], 1), most_outside=None)))
    assert {one.source for one in found} == {SINGLE, TWO_FAULTS, PROGRAM_ERROR}
    assert all(not one.found for one in found if one.source != SINGLE)


def test_another_fault_at_the_top_that_shows_just_the_same_is_told(short):
    measure(short, asked_for(["picture"]))
    real = judging.Real("pad-test", 5)
    judge = judging.Judge(real, judging.read_session(short / "pad-test.search"), short / "further")
    case = Case("pad-test", PROGRAM_ERROR, 0, "as D3 low", (FEW[0],))
    (one,) = judge.judged(case, ["picture"])
    assert one.alike == FEW[0]
    assert not one.counts
    assert not one.is_missed


def test_further_runs_are_made_once_and_read_by_whoever_comes_next(short, monkeypatch):
    real = judging.Real("pad-test", 5)
    folder = short / "shared"
    first = SharedMore(real.trial, real.names, folder).of(FEW[:2], 2)
    made = SharedMore(real.trial, real.names, folder).of(FEW[:2])
    assert [run.evidence for own in first.values() for run in own] == [
        run.evidence for own in made.values() for run in own[:2]
    ]
    monkeypatch.setattr(SharedMore, "_here", lambda self, todo: pytest.fail("run again"))
    again = SharedMore(real.trial, real.names, folder).of(FEW[:2])
    assert {name: [run.evidence for run in own] for name, own in again.items()} == {
        name: [run.evidence for run in own] for name, own in made.items()
    }
    assert len(list(folder.iterdir())) == 2
    next(folder.iterdir()).write_bytes(b"spoilt")
    with pytest.raises(pytest.fail.Exception, match="run again"):
        SharedMore(real.trial, real.names, folder).of(FEW[:2])


# --- what is told -----------------------------------------------------------------------------------------------------


def test_a_row_counts_what_was_found_what_was_said_none_and_what_it_took():
    some = [
        judged(classes=8, apart=2, asked=5),
        judged(classes=8, apart=5, asked=6),
        judged(classes=1, apart=1, asked=0),
        judged(found=False, none=True, asked=None, left=False),
        judged(found=False, alike="slot 4: D2 low", asked=None, left=False, program="slug-watch"),
        judged(kind="text"),
        judged(source="program error", found=False),
    ]
    row = row_of("capture", some)
    assert (row.symptoms, row.found, row.none, row.alike) == (5, 3, 1, 1)
    assert (row.apart, row.most_apart) == (2, 5)
    assert (row.middle, row.most, row.asked, row.few, row.most_asked) == (8, 8, 3, 2, 6)
    assert row_of("capture", some, "slug-watch").symptoms == 1


def test_of_faults_from_outside_those_count_that_no_single_one_shows_and_no_noise_hides():
    outside = judged(source=TWO_FAULTS, found=False, asked=None, left=False)
    some = [
        attrs.evolve(outside, none=True),
        outside,
        attrs.evolve(outside, none=True, alike="slot 4: D2 low"),
        attrs.evolve(outside, alike="slot 4: D2 low", hidden=True),
        attrs.evolve(outside, possible="slot 4: D2 low"),
        attrs.evolve(outside, none=True, hidden=True),
        judged(),
    ]
    row = outside_row_of("capture", TWO_FAULTS, some)
    assert (row.counted, row.none, row.alike, row.possible, row.hidden) == (2, 1, 2, 1, 1)
    assert [one.is_missed for one in some] == [False, True, False, False, False, False, False]


ASKED = Asked(programs=("pad-test", "slug-watch"), pairs=4, seed=7, kinds=tuple(KINDS))


def test_a_table_tells_rates_with_what_chance_leaves_open_and_examples_of_misses():
    missed = judged(found=False, asked=None, left=False, best="slot 2: D1 low", behind=2.5)
    none = judged(source="two faults", fault="not to be told", found=False)
    lines = table([judged(), missed, none], ASKED, whole=True)
    text = "\n".join(lines)
    assert "50.0% (9% to 91%)" in text
    assert "pad-test: slot 4: D3 low: slot 2: D1 low, one of 4; the true one is 2.50 behind" in text
    assert "0 of 1" in text
    assert "noticed: 1 (pad-test 1, slug-watch 0). The catalogue has no more" in text
    assert "no more" not in "\n".join(table([judged()], ASKED, whole=False))
    assert "not to be told" not in text
    assert max(map(len, lines[: lines.index("How it was measured:")])) <= 200
    told = as_dict([judged(), missed], ASKED)
    assert (told["seed"], told["single"][0]["found"]) == (7, 1)


def test_misses_are_written_with_what_was_said_but_those_of_the_list_from_outside_are_only_counted(tmp_path):
    missed = judged(found=False, asked=None, left=False, none=True, misfit="nothing fits", behind=None)
    listed = judged(source=TWO_FAULTS, fault="A5 low; A6 low", found=False, best="A5 low")
    path = tmp_path / "misses.txt"
    keep_misses(path, [missed, judged(), listed], ASKED)
    keep_misses(path, [missed, judged(), listed], ASKED)
    text = path.read_text()
    assert "  pad-test: slot 4: D3 low: none: nothing fits; best slot 4: D3 low" in text
    assert "two faults: 1 missed" in text
    assert "A5 low" not in text
    keep_misses(path, [listed], attrs.evolve(ASKED, outside_seed=3))
    assert "pad-test: A5 low; A6 low: A5 low, one of 4" in path.read_text()


def test_what_is_kept_reads_back_and_nothing_else_does(tmp_path, monkeypatch):
    path = tmp_path / "measured.json"
    records = [
        Tried("pad-test", SINGLE, 2, ()),
        Tried("pad-test", SINGLE, 3, (judged(), judged(asked=None, behind=None))),
        Drawn("pad-test", TWO_FAULTS, 0, True),
    ]
    assert kept(path, ASKED) == []
    keep(path, ASKED, records)
    keep(path, ASKED, records)
    assert kept(path, ASKED) == records
    with pytest.raises(SimkitError, match="other options"):
        kept(path, attrs.evolve(ASKED, seed=2))
    whole = json.loads(path.read_text())
    for spoil in (
        lambda data: data.pop("records"),
        lambda data: data["records"][1]["judged"][0].update(classes="many"),
        lambda data: data["records"][0].update(what="dreamt"),
        lambda data: data.update(version=99),
    ):
        data = json.loads(json.dumps(whole))
        spoil(data)
        path.write_text(json.dumps(data))
        with pytest.raises(SimkitError, match="no measurement"):
            kept(path, ASKED)
    path.write_text(json.dumps(whole))
    monkeypatch.setattr(suspect_state, "kit", lambda: "other code")
    with pytest.raises(SimkitError, match="other code of the kit"):
        kept(path, ASKED)


@pytest.fixture
def bench(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words):
        with pytest.raises(SystemExit) as ended:
            main(["bench", *words])
        told = capsys.readouterr()
        return ended.value.code, told.out, told.err

    return run


class Two:
    """Stands for a measurement: two faults, one picture each."""

    def __init__(self, asked, goes_on, *, known, session):
        self._goes_on, self._known = goes_on, list(known)
        assert (asked.programs, asked.pairs, asked.seed) == (("pad-test",), 2, 9)
        assert (asked.kinds, asked.outside_seed) == (("picture", "text"), 4)

    def records(self):
        for number in range(len(self._known), 2):
            yield Tried("pad-test", SINGLE, number, (judged(kind="picture"),))
            assert self._goes_on(0.5, "pad-test")


def test_the_command_prints_the_table_or_the_same_for_programs(bench, monkeypatch, tmp_path):
    monkeypatch.setattr(suspects, "Measurement", Two)
    words = ("--suspect", "--pairs", "2", "--seed", "9", "--programs", "pad-test", "--kinds", "text,picture")
    words = (*words, "--outside-seed", "4")
    code, out, _ = bench(*words)
    assert code == 0
    assert "picture on the screen" in out
    assert "How it was measured" in out
    (tmp_path / "kept").mkdir()
    for _ in range(2):
        code, out, _ = bench(*words, "--session", "kept", "--json")
        assert code == 0
        assert json.loads(out)["single"][0]["symptoms"] == 2
    assert (tmp_path / "kept" / "misses.txt").read_text().startswith("What the search said")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pairs", "3"), "Add --suspect"),
        (("--outside-seed", "3"), "Add --suspect"),
        (("--suspect", "--kinds", "smell"), "there is no 'smell'"),
        (("--suspect", "--programs", "pad-tset"), "pad-test"),
        (("--suspect", "--pairs", "0"), "1 to"),
        (("--suspect", "--seed", "-1"), "0 to"),
        (("--suspect", "--outside-seed", "-1"), "0 to"),
        (("--suspect", "--session", "nowhere"), "no such folder"),
        (("demo:marlpit", "--suspect"), "measured alone"),
    ],
)
def test_what_cannot_be_measured_is_told_in_words(bench, words, said):
    code, _, err = bench(*words)
    assert code == 2
    assert said in err
