"""simkit suspect, as people type it; on the bench machine, with a few faults of the catalogue."""

import json
import signal
from concurrent.futures import Executor, Future

import pytest

from simkit.suspect.session import read_session


class Here(Executor):
    """Does the work at once, where it is asked for."""

    def submit(self, call, /, *arguments, **words):
        future = Future()
        future.set_result(call(*arguments, **words))
        return future


@pytest.fixture(autouse=True)
def few_candidates_run_here(monkeypatch):
    monkeypatch.setattr("simkit.suspect.runs.local_executor", Here)
    monkeypatch.setattr("simkit.suspect.screens.AGAIN_AT_ONCE", 1)
    from simkit.suspect import catalogue

    every = catalogue.catalogue
    monkeypatch.setattr("simkit.suspect.catalogue.catalogue", lambda description: every(description)[::150])


SEARCH = ["suspect", "demo:bench", "--for", "2ms"]


def test_a_blank_screen_is_explained_with_the_next_measurement_and_the_runs_are_kept(tmp_path, simkit, monkeypatch):
    search = [*SEARCH, "--seen-nothing", "--session", str(tmp_path / "my.search")]
    code, out, _ = simkit(*search)
    assert code == 0
    assert "single faults looked into" in out
    assert "Next measurement:" in out
    monkeypatch.setattr("simkit.suspect.runs.run_all", None)  # the second time nothing is run
    code, out, _ = simkit(*search, "--json")
    found = json.loads(out)
    assert (code, found["whole"]) == (0, True)
    assert len(found["left"]) == len(found["first"]) > 1
    answer = next(iter(found["question"]["answers"]))
    code, out, _ = simkit(*search, "--answer", answer, "--json")
    again = json.loads(out)
    assert again["asked"] == [{"question": found["question"]["text"], "answer": answer}]
    assert 0 < len(again["left"]) < len(found["left"])
    code, _, err = simkit(*search, "--answer", "perhaps")
    assert code == 2
    assert "Answers that are possible" in err
    code, out, _ = simkit(*search[:-3], "--seen-text", "NOBODY WRITES THIS", *search[-2:])
    assert code == 1
    assert "No single fault explains this" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "What was seen is not said"),
        (["--seen-nothing", "--channels", "x.toml"], "--channels is for --seen"),
        (["--seen", "missing.vcd"], "There is no capture missing.vcd"),
        (["--seen-text", " \\n "], "the text says nothing"),
        (["--seen-memory", "dump.bin"], "does not say FILE@ADDRESS"),
        (["--hangs-at", "no_such_label"], "neither an address nor a label"),
        (["--seen-picture", "missing.png"], "There is no picture"),
        (["--seen-nothing", "--slot", "9"], "there is no card in slot 9"),
        (["--seen-nothing", "--for", "label:main"], "--for"),
        (["--seen-nothing", "--seen-early"], "--seen-early is for what was seen on a screen"),
    ],
)
def test_wrong_use_gets_one_message_and_exit_code_2(words, said, simkit):
    code, out, err = simkit(*SEARCH[:2], *words)
    assert (code, out) == (2, "")
    assert said in err


def test_a_search_whose_terminal_is_closed_keeps_what_was_run_and_goes_on_from_there(tmp_path, simkit, monkeypatch):
    number = signal.SIGHUP

    class Ended(Here):
        pieces = 0

        def submit(self, call, /, *arguments, **words):
            self.pieces += 1
            if self.pieces == 3:
                signal.raise_signal(number)
            return Future() if self.pieces > 3 else super().submit(call, *arguments, **words)

    session = tmp_path / "my.search"
    search = [*SEARCH, "--seen-nothing", "--session", str(session)]
    monkeypatch.setattr("simkit.suspect.runs.local_executor", Ended)
    code, out, err = simkit(*search)
    assert (code, out) == (128 + number, "")
    assert f"kept in {session}, 0." in err
    assert f"Stopped by {number.name}." in err
    before = read_session(session)
    assert before.runs
    assert not before.is_whole
    monkeypatch.setattr("simkit.suspect.runs.local_executor", Here)
    assert simkit(*search)[0] == 0
    assert read_session(session).is_whole


def test_further_runs_of_what_comes_near_are_kept_too(tmp_path, simkit, monkeypatch):
    search = [*SEARCH, "--slot", "3", "--seen-text", "BENCH", "--session", str(tmp_path / "my.search")]
    simkit(*search)
    monkeypatch.setattr("simkit.suspect.more.run", None)  # nothing is run again
    _, _, err = simkit(*search)
    assert "kept in" not in err


def test_a_session_of_another_search_is_not_taken(tmp_path, simkit):
    search = ["--seen-nothing", "--slot", "3", "--session", str(tmp_path / "my.search")]
    assert simkit(*SEARCH, *search)[0] in (0, 1)
    code, _, err = simkit(*SEARCH[:2], "--for", "3ms", *search)
    assert code == 2
    assert "is of another search" in err


def test_that_nothing_is_found_at_one_card_is_not_said_of_the_machine(simkit):
    code, out, _ = simkit(*SEARCH, "--seen-text", "NOBODY WRITES THIS", "--slot", "3")
    assert code == 1
    assert "No single fault at slot 3 explains this" in out
    assert "leave out --slot" in out


def test_a_bit_of_a_rom_that_a_capture_shows_is_taken_into_a_search_that_was_run_without_and_stays_in_it(
    tmp_path, simkit, monkeypatch
):
    fault, shown = "slot 2: bit 1 of $8058 high", tmp_path / "shown.txt"
    assert simkit("rehearse", *SEARCH[1:], "--by-the-bus", "--fault", fault, "--out", str(shown))[0] == 0
    session = ["--session", str(tmp_path / "my.search"), "--json"]
    before = json.loads(simkit(*SEARCH, "--seen-nothing", *session)[1])
    after = json.loads(simkit(*SEARCH, "--seen", str(shown), *session)[1])
    assert (after["faults"], after["machines_run"]) == (before["faults"] + 1, before["machines_run"] + 1)
    assert (after["left"], after["misfit"]) == ([fault], "")
    monkeypatch.setattr("simkit.suspect.runs.run_all", None)  # nothing is run from here on
    again = json.loads(simkit(*SEARCH, "--seen-nothing", *session)[1])
    assert again["faults"] == after["faults"]
    assert json.loads(simkit(*SEARCH, "--seen", str(shown), *session)[1])["left"] == [fault]
