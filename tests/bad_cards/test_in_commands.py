"""Bad cards in the commands: exit code 3 and one message, in `run`, `check` and as a process.

One in six is tried by default, all among the slow tests.
"""

import json
import subprocess
import sys

import pytest

from simkit import CardError, Machine
from simkit.commands.exits import CARD_FAILED
from simkit.commands.main import main
from simkit.testing.contract import check_contract
from tests.bad_cards.kinds.sound import Sound
from tests.bad_cards.machine import folder_with
from tests.bad_cards.table import FILES, TABLE

LENGTH = "3000c"
CASES = pytest.mark.parametrize(
    ("cls", "words", "known"),
    [
        pytest.param(*entry, id=entry[0].__name__, marks=[pytest.mark.slow] if number % 6 else [])
        for number, entry in enumerate(TABLE)
    ],
)


def run(*arguments):
    """Exit code of a command."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return left.value.code


def fails_in_a_run(folder):
    """Whether the card fails without being asked anything."""
    try:
        Machine.load(folder).run(cycles=3_000)
    except CardError:
        return True
    return False


@CASES
def test_a_bad_card_ends_a_run_with_its_exit_code(tmp_path, capsys, cls, words, known):
    folder = str(folder_with(tmp_path, cls.__name__))
    failed = fails_in_a_run(folder)
    code = run("run", folder, "--headless", "--for", LENGTH, "--json")
    told = json.loads(capsys.readouterr().out)
    if not failed:  # it shows where somebody asks, as a run does for lamps
        assert code in (0, CARD_FAILED)
        return
    assert code == CARD_FAILED
    error = told["error"]
    assert error["slot"] == 3
    text = f"{error['message']}\n{error['remedy']}"
    assert not [word for word in words if word not in text], text
    assert "fault in the kit" not in text


@CASES
def test_a_bad_card_ends_a_check_with_its_exit_code(tmp_path, capsys, cls, words, known):
    folder = str(folder_with(tmp_path, cls.__name__))
    code = run("check", folder, "--for", LENGTH)
    told = capsys.readouterr()
    assert "fault in the kit" not in told.err
    if fails_in_a_run(folder) and "only" not in known:
        assert code == CARD_FAILED
    assert code in (0, 1, CARD_FAILED)
    if code == CARD_FAILED:
        assert "slot 3 (file:" in told.err


def test_the_sound_card_keeps_the_contract():
    assert check_contract(Sound, steps=20, damaged=False).problems == ()


@CASES
def test_the_contract_test_refuses_a_bad_card(cls, words, known):
    if cls.__name__ == "HoldsTheCpuForEver":
        pytest.skip("the contract test has no CPU that could be held")
    problems = check_contract(cls, steps=20, damaged=False).problems
    assert problems
    assert "fault in the kit" not in " ".join(problems)


PROCESSES = ("ReadRaisesSystemExit", "InitRaisesSystemExit", "ReadGivesNone", "DrivesSeven", "ReadRaisesGeneratorExit")


def as_a_process(*arguments, **options):
    """A command as a process."""
    command = [sys.executable, "-m", "simkit", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, **options)


@pytest.mark.parametrize("name", PROCESSES)
def test_a_bad_card_ends_the_process_with_its_exit_code(tmp_path, name):
    done = as_a_process("run", str(folder_with(tmp_path, name)), "--headless", "--for", LENGTH)
    assert (done.returncode, done.stdout) == (CARD_FAILED, "")
    assert "slot 3 (file:" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["show", "check", "run"])
def test_a_card_that_cannot_be_asked_for_words_ends_show_alone(tmp_path, capsys, command):
    folder = str(folder_with(tmp_path, "WordsRaisesSystemExit"))
    options = {"show": ("--at", LENGTH), "check": ("--for", LENGTH), "run": ("--headless", "--for", LENGTH)}[command]
    assert run(command, folder, *options) == (CARD_FAILED if command == "show" else 0)
    if command == "show":
        assert ": words in cycle 3003 raised SystemExit: 0" in capsys.readouterr().err


def test_a_bad_card_in_the_contract_command_is_a_broken_contract(capsys):
    assert run("cards", "--test", f"file:{FILES['ReadRaisesSystemExit']}:ReadRaisesSystemExit") == 1
    assert "raised SystemExit" in capsys.readouterr().out
    assert run("cards", "--test", f"file:{FILES['SaysKindANumber']}:SaysKindANumber") == CARD_FAILED
    assert "has kind = 5" in capsys.readouterr().err


def test_the_traceback_of_a_card_is_shown_to_who_asks_for_it(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SIMKIT_TRACEBACK", "1")
    assert run("run", str(folder_with(tmp_path, "CallsItself")), "--headless", "--for", LENGTH) == CARD_FAILED
    told = capsys.readouterr().err
    assert "in read" in told
    assert "RecursionError" in told
