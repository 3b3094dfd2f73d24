"""Calls that do not come back: who made them, what was under way, and that they end."""

import os
import signal
import subprocess
import sys
import threading
import time
from importlib import import_module

import pytest

from simkit import CardError, Machine
from simkit.backplane import overdue
from simkit.backplane.overdue import GUARDED, SWITCH, overdue_watch
from tests.bad_cards.endless import INTERRUPTED, NOT_INTERRUPTED
from tests.bad_cards.machine import ENDLESS, folder_with

pytest_plugins = "pytester"

SECONDS = 0.2


@pytest.fixture
def hurried(monkeypatch):
    """Calls are overdue soon."""
    watch = overdue_watch()
    monkeypatch.setattr(watch, "seconds", SECONDS)
    monkeypatch.setattr(watch, "ends", None)
    return watch


ENGINES = ("exact", "core")
EACH_CALL = [
    pytest.param(cls, engine, id=f"{cls.__name__}-{engine}", marks=() if number % 2 == at else pytest.mark.slow)
    for number, cls in enumerate(INTERRUPTED)
    for at, engine in enumerate(ENGINES)
]
"""Each call that does not end on one engine, and on the other when there is time: it takes what is waited for it."""


@pytest.mark.parametrize(("cls", "engine"), EACH_CALL)
def test_a_call_that_does_not_come_back_is_interrupted_and_told(tmp_path, hurried, cls, engine):
    def go():
        machine = Machine.load(folder_with(tmp_path, cls.__name__, ENDLESS), engine=engine)
        machine.run(cycles=200)
        machine.card(3).words()

    with pytest.raises(CardError) as raised:
        go()
    text = str(raised.value)
    assert f" did not come back within {SECONDS:g} s" in text
    assert ":\n  " in text  # the calls stand below
    assert "endless.py:" in text
    method = {
        "InWords": "words",
        "InEvent": "event",
        "InInit": "__init__",
        "InWaitCycles": "wait_cycles in cycle 12",
        "InRegisters": "registers",
    }.get(cls.__name__, "read in cycle 12 at $7F00")
    assert f"{method} " in text
    assert ", in turn_round: " in text or method == "registers"
    assert raised.value.remedy


def test_a_call_that_takes_its_time_is_left_alone(tmp_path, hurried):
    hurried.seconds = 0.3  # a read takes 0.15 s
    machine = Machine.load(folder_with(tmp_path, "Slow", ENDLESS))
    machine.run(cycles=60)  # three reads, together longer than one may take
    assert machine.cycle >= 60


def test_a_card_in_another_thread_is_interrupted_there(tmp_path, hurried):
    machine = Machine.load(folder_with(tmp_path, "Endless", ENDLESS))
    told = []

    def work():
        try:
            machine.run(cycles=200)
        except CardError as error:
            told.append(str(error))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(60)
    assert "did not come back" in told[0]


def test_a_call_under_a_tracer_is_not_overdue(tmp_path, hurried):
    """As while somebody sits at a breakpoint."""
    machine = Machine.load(folder_with(tmp_path, "Slow", ENDLESS))
    hurried.seconds = 0.1  # a read takes 0.15 s

    def trace(frame, event, argument):
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        machine.run(cycles=14)
    finally:
        sys.settrace(before)


def test_an_instruction_that_is_stepped_by_cycles_may_rest_where_it_stands(tmp_path, hurried):
    machine = Machine.load(folder_with(tmp_path, "Sound"))
    machine.run(cycles=50)
    while not machine.inside_instruction:
        machine.step_cycle()
    time.sleep(3 * SECONDS)
    machine.run(cycles=50)


def test_nothing_is_watched_when_the_variable_says_so(monkeypatch):
    for text, seconds in (("0", 0), ("2.5", 2.5), ("-1", 10), ("soon", 10), ("inf", 10), ("nan", 10)):
        monkeypatch.setenv(SWITCH, text)
        assert overdue.OverdueWatch().seconds == seconds


def test_the_functions_that_are_looked_for_are_there():
    for module, name in GUARDED:
        found = import_module(module)
        for part in name.split("."):
            found = getattr(found, part)
        assert found.__code__.co_qualname == name


# what cannot be interrupted -------------------------------------------------------------------------------------------


def started(folder, seconds="0.5"):
    """`simkit run` as a process."""
    command = [sys.executable, "-m", "simkit", "run", str(folder), "--headless", "--for", "200c"]
    environment = {**os.environ, SWITCH: seconds}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)


@pytest.mark.parametrize("name", ["Endless", *(cls.__name__ for cls in NOT_INTERRUPTED)])
def test_the_command_ends_with_the_exit_code_of_a_card_that_failed(tmp_path, name):
    out, err = started(folder_with(tmp_path, name, ENDLESS)).communicate(timeout=120)
    assert out == ""
    assert "slot 3 (file:" in err
    assert "read in cycle 12" in err
    assert "did not come back within 0.5 s" in err
    assert "in turn_round: " in err
    assert ("cannot be interrupted" in err) is (name != "Endless")


def test_the_exit_code_is_that_of_a_card_that_failed(tmp_path):
    for name in ("Endless", "Sleeps"):
        process = started(folder_with(tmp_path, name, ENDLESS))
        process.communicate(timeout=120)
        assert process.returncode == 3


def test_a_program_of_ones_own_goes_on_with_a_warning(tmp_path, hurried, capfd):
    """A card that sleeps cannot be interrupted; what is left of it comes out when it comes back."""
    machine = Machine.load(folder_with(tmp_path, "Slow", ENDLESS))
    machine.bus.seats[2].card.turn_round = lambda: time.sleep(2.5)
    with pytest.raises(CardError, match="did not come back"):
        machine.run(cycles=14)
    told = capfd.readouterr().err
    assert told.count("cannot be interrupted") == 1
    assert "The program goes on when it comes back." in told


@pytest.mark.needs("SIGSTOP")
@pytest.mark.slow
def test_a_process_that_was_stopped_for_long_is_not_overdue(tmp_path):
    process = started(folder_with(tmp_path, "Slow", ENDLESS), seconds="1")
    time.sleep(2)
    process.send_signal(signal.SIGSTOP)
    time.sleep(3)
    process.send_signal(signal.SIGCONT)
    process.communicate(timeout=120)
    assert process.returncode == 0


# pytest ---------------------------------------------------------------------------------------------------------------

SESSION = """
from tests.bad_cards.machine import ENDLESS, folder_with

def test_before(load_machine, tmp_path):
    load_machine(folder_with(tmp_path, "Sound")).run(cycles=100)

def test_endless(load_machine, tmp_path):
    load_machine(folder_with(tmp_path, "{name}", ENDLESS)).run(cycles=100)

def test_behind(load_machine, tmp_path):
    load_machine(folder_with(tmp_path, "Sound")).run(cycles=100)
"""


@pytest.fixture
def session(pytester, request, monkeypatch):
    """A folder for a session of pytest, with this project in reach."""
    monkeypatch.setenv(SWITCH, "0.5")
    pytester.makeini(f"[pytest]\npythonpath = {request.config.rootpath}\nfilterwarnings = error\n")
    return pytester


@pytest.mark.parametrize("name", ["Endless", "InEvent"])
def test_an_endless_card_fails_its_test_and_the_others_run(session, name):
    session.makepyfile(SESSION.format(name=name))
    result = session.runpytest_subprocess("-p", "no:cacheprovider", "-q")
    result.assert_outcomes(failed=1, passed=2)
    result.stdout.fnmatch_lines(["* in cycle * did not come back within 0.5 s*"])


def test_a_card_that_cannot_be_interrupted_ends_the_session_with_a_word(session):
    session.makepyfile(SESSION.format(name="Sleeps"))
    result = session.runpytest_subprocess("-p", "no:cacheprovider", "-q")
    assert result.ret == 3
    result.stderr.fnmatch_lines(
        ["slot 3 (*Sleeps): read in cycle 12*cannot be interrupted:", "*The process ends here."]
    )
