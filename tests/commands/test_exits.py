"""How commands end: each way has its exit code and its one message, on standard streams in any state."""

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from simkit import CardError, FileError, SeveralErrors, SimkitError
from simkit.commands import exits
from simkit.commands.app import COMMANDS, build_app, run
from simkit.contract.errors import file_error

ROOT = Path(__file__).resolve().parents[2]
START = [sys.executable, "-m", "simkit"]


@pytest.fixture
def ending(simkit, monkeypatch):
    """Have a command end with an exception; gives (exit code, stdout, stderr)."""

    def end(error, *arguments):
        def fails(argv, begins):
            begins()
            raise error

        monkeypatch.setattr("simkit.commands.app.run", fails)
        return simkit(*arguments)

    return end


# which code ----------------------------------------------------------------------------------------------------------

NO_ROOM = OSError(28, "No space left on device")

ENDINGS = {
    "wrong use": (SimkitError("No such slot."), 2, "No such slot.\n"),
    "a card": (CardError("slot 4 (pads) failed in cycle 7."), 3, "slot 4 (pads) failed in cycle 7.\n"),
    "a file": (FileError("F cannot be written."), 74, "F cannot be written.\n"),
    "several": (SeveralErrors([SimkitError("One."), FileError("Two.")]), 2, "One.\nTwo.\n"),
    "files alone": (SeveralErrors([FileError("One."), FileError("Two.")]), 74, "One.\nTwo.\n"),
    "a card among several": (SeveralErrors([SimkitError("One."), CardError("Two.")]), 3, "One.\nTwo.\n"),
    "output": (NO_ROOM, 74, "The output cannot be written: No space left on device.\n"),
    "a file that nobody looked after": (PermissionError(13, "Permission denied", "f"), 74, "f cannot be used: Perm"),
    "a path that nobody looked after": (FileNotFoundError(2, "No such file", "f"), 2, "f cannot be used: No such"),
    "Ctrl-C": (KeyboardInterrupt(), 130, "\nStopped.\n"),
    "a fault": (ZeroDivisionError("division by zero"), 70, "A fault in the kit, not in what you wrote: ZeroDivisionE"),
    "too deep": (RecursionError("maximum"), 70, "A fault in the kit, not in what you wrote: RecursionError: maximum\n"),
    "no memory": (MemoryError(), 70, "There is no memory left.\nAsk for less."),
    "a program that would end the process": (SystemExit(0), 70, "A fault in the kit, not in what you wrote: SystemE"),
    "a generator": (GeneratorExit(), 70, "A fault in the kit, not in what you wrote: GeneratorExit"),
}


@pytest.mark.parametrize(("error", "code", "told"), ENDINGS.values(), ids=ENDINGS)
def test_each_ending_has_its_code_and_one_message(ending, error, code, told):
    found, out, err = ending(error, "demo")
    assert (found, out) == (code, "")
    assert err.startswith(told)
    assert err.endswith("\n")
    assert "Traceback" not in err


@pytest.mark.parametrize("name", [name for name, ending in ENDINGS.items() if ending[1] != 130])
def test_with_json_the_message_stands_on_stdout_alone(ending, name):
    error, code, told = ENDINGS[name]
    found, out, err = ending(error, "demo", "--json")
    assert (found, err) == (code, "")
    fields = json.loads(out)["error"]
    first = told.splitlines()[0]
    assert (fields["message"] or "").startswith(first) or fields["errors"][0]["message"] == first


def test_a_signal_that_ended_the_command_keeps_its_code(ending):
    assert ending(SystemExit(128 + 15), "demo") == (143, "", "")


@pytest.mark.parametrize(
    ("number", "code"), [(2, 2), (20, 2), (21, 2), (36, 2), (17, 2), (13, 74), (28, 74), (5, 74), (30, 74), (None, 74)]
)
def test_a_path_that_is_wrong_is_wrong_use_and_what_the_system_refuses_is_input_and_output(number, code):
    error = OSError(number, "words") if number else OSError("words")
    assert exits.code_of(file_error("No.", error)) == code


def test_a_fault_of_the_kit_says_how_to_report_it(ending, monkeypatch):
    monkeypatch.setattr(os, "name", "posix")
    told = ending(KeyError("x"), "run", "my machine", "--for", "3s")[2]
    assert told.endswith(
        "Please report it to those who make the kit, with what this prints: "
        "SIMKIT_TRACEBACK=1 simkit run 'my machine' --for 3s\n"
    )


def test_and_is_printed_with_its_traceback_on_request(ending, monkeypatch):
    monkeypatch.setenv("SIMKIT_TRACEBACK", "1")
    code, _, err = ending(KeyError("x"), "demo")
    assert code == 70
    assert "Traceback (most recent call last)" in err
    assert "KeyError: 'x'" in err
    assert "A fault in the kit" in err
    assert "Traceback" not in ending(SimkitError("No."), "demo")[2], "wrong use is no fault"


RAISING_CARD = """
from typing import ClassVar
import attrs
from simkit.contract import Card, Register

@attrs.frozen(kw_only=True)
class Settings: pass

class Bad(Card):
    kind: ClassVar[str] = "bad"
    Settings: ClassVar[type] = Settings
    @classmethod
    def registers(cls, settings): return (Register(0, "only", "rw"),)
    def peek(self, offset, cycle): raise {error}
"""


@pytest.mark.parametrize(("error", "code"), [("ValueError('x')", 3), ("KeyboardInterrupt", 130)])
def test_a_card_that_fails_gives_3_and_ctrl_c_within_a_card_is_ctrl_c(simkit, tmp_path, error, code):
    from simkit.machinefile.shipped import demo_folder

    (tmp_path / "bad.py").write_text(RAISING_CARD.format(error=error))
    bench = (demo_folder() / "bench" / "machine.toml").as_posix()
    (tmp_path / "read.bin").write_bytes(bytes.fromhex("AD007F 4C0080") + b"\xff" * 0x7FF6 + bytes.fromhex("0080FFFF"))
    (tmp_path / "machine.toml").write_text(
        f'base = "{bench}"\n[[card]]\nslot = 2\nimage = "read.bin"\n'
        '[[card]]\nslot = 9\nkind = "file:bad.py:Bad"\nselect = "0111 1111 0000 0000"\n'
    )
    found, _, err = simkit("run", tmp_path, "--headless", "--for", "100c")
    assert found == code, err
    assert ("slot 9" in err) is (code == 3)


# streams -------------------------------------------------------------------------------------------------------------


def started(*arguments, **options):
    """Run the command as a process."""
    return subprocess.run([*START, *arguments], check=False, text=True, timeout=60, **options)


@pytest.fixture
def gone():
    """The writing end of a pipe whose reader has gone."""
    reading, writing = os.pipe()
    os.close(reading)
    yield writing
    os.close(writing)


SHORT, LONG = ("demo",), ("explain", "--json")  # within a buffer of output, and beyond


@pytest.mark.needs("SIGPIPE")
@pytest.mark.parametrize("arguments", [SHORT, LONG, ("nope", "--json"), ("--help",), ("--version",)])
def test_a_reader_that_has_gone_ends_it_without_a_word(gone, arguments):
    done = started(*arguments, stdout=gone, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (141, "")


@pytest.mark.needs("SIGPIPE")
def test_findings_that_nobody_reads_are_a_closed_pipe_and_an_error_told_beside_it_stays_one(gone):
    assert started("check", "demo:wrong-wiring/pad-order-reversed", "--for", "1c", stdout=gone).returncode == 141
    done = started("nope", stdout=gone, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr.startswith("There is no command 'nope'.")


def test_without_sigpipe_a_reader_that_has_gone_is_an_error_of_the_output(ending, monkeypatch):
    monkeypatch.setattr("simkit.commands.streams.SILENT_ON_BROKEN_PIPE", False)
    told = ending(BrokenPipeError(32, "Broken pipe"), "demo")
    assert told == (74, "", "The output cannot be written: Broken pipe.\n")


@pytest.mark.needs("/dev/full")
@pytest.mark.parametrize("arguments", [SHORT, LONG, ("nope", "--json"), ("--help",), ("--version", "--json")])
def test_output_that_has_no_room_is_told_once_and_gives_74(arguments):
    with open("/dev/full", "w") as full:  # noqa: PTH123
        done = started(*arguments, stdout=full, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (74, "The output cannot be written: No space left on device.\n")


@pytest.mark.needs("/dev/full")
def test_messages_that_have_no_room_change_no_exit_code():
    with open("/dev/full", "w") as full:  # noqa: PTH123
        assert started("nope", stdout=subprocess.PIPE, stderr=full).returncode == 2


@pytest.mark.needs("fork")
@pytest.mark.parametrize(
    ("closed", "arguments", "code"),
    [
        ((1,), SHORT, 74),
        ((1,), ("nope", "--json"), 74),
        ((1,), ("nope",), 2),
        ((2,), ("nope",), 2),
        ((2,), SHORT, 0),
        ((0,), SHORT, 0),
        ((0, 1, 2), SHORT, 74),
        ((0, 2), ("run", "demo:bench", "--headless", "--for", "5c"), 0),
        ((0,), ("run", "demo:bench", "--terminal", "here", "--for", "5c"), 2),
    ],
)
def test_streams_that_are_closed(closed, arguments, code, tmp_path):
    def close():
        for number in closed:
            os.close(number)

    with open(tmp_path / "out", "w+") as out, open(tmp_path / "err", "w+") as err:  # noqa: PTH123
        command = [*START, *arguments]
        assert subprocess.run(command, stdout=out, stderr=err, preexec_fn=close, check=False).returncode == code
    told = (tmp_path / "err").read_text()
    assert "Traceback" not in told
    if 1 in closed and 2 not in closed and code == 74:
        assert told == "The output cannot be written: Bad file descriptor.\n"
    if closed == (2,):
        assert "no command" not in (tmp_path / "out").read_text(), "no message goes where the result belongs"


@pytest.mark.needs("fork")
def test_a_file_never_takes_the_place_of_a_closed_stream(tmp_path):
    command = [*START, "run", "demo:marlpit", "--headless", "--for", "1c", "--png", str(tmp_path / "a.png")]
    done = subprocess.run(command, preexec_fn=lambda: os.closerange(0, 3), check=False)
    assert done.returncode == 74
    assert (tmp_path / "a.png").read_bytes()[-8:-4] == b"IEND"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437"])
def test_a_terminal_without_the_letters_shows_others_for_them(encoding, tmp_path):
    machine = tmp_path / "Sch\u00f6pf\u2026\u6c34"
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    done = subprocess.run(
        [*START, "new", "machine", machine.name], cwd=tmp_path, env=environment, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert b"\\u6c34 holds machine.toml" in done.stdout


def test_a_program_that_calls_it_keeps_its_signals_and_streams(simkit):
    before = signal.getsignal(signal.SIGINT), sys.stdout, sys.excepthook, sys.unraisablehook
    assert simkit("demo")[0] == 0
    assert (signal.getsignal(signal.SIGINT), sys.stdout, sys.excepthook, sys.unraisablehook) == before


# wrong use ------------------------------------------------------------------------------------------------------------


def leaves(command, *path):
    """Every command with the words that lead to it."""
    if hasattr(command, "commands"):
        for name, each in command.commands.items():
            yield from leaves(each, *path, name)
    else:
        yield path, command


LEAVES = dict(leaves(typer.main.get_command(build_app(list(COMMANDS)))))
IDS = [" ".join(path) for path in LEAVES]
SINGLE = [
    (path, parameter.opts[-1])
    for path, command in LEAVES.items()
    for parameter in command.params
    if parameter.opts[-1].startswith("--") and not parameter.multiple and not parameter.is_flag
]


def wrong(simkit, *arguments):
    """One message and exit code 2, the same with --json; gives the message."""
    code, out, err = simkit(*arguments)
    assert (code, out) == (2, "")
    assert 1 <= len(err.splitlines()) <= 3
    code, out, none = simkit(*arguments, "--json")
    assert (code, none) == (2, "")
    assert json.loads(out)["error"]["message"] == err.splitlines()[0]
    return err


@pytest.mark.parametrize("path", LEAVES, ids=IDS)
def test_an_unknown_option_is_wrong_use_of_every_command(simkit, path):
    assert "--nope" in wrong(simkit, *path, "--nope")


@pytest.mark.parametrize("path", [path for path in LEAVES if path != ("opcode",)], ids=str)
def test_one_argument_too_many_is_wrong_use_of_every_command(simkit, path):
    arguments = [p for p in LEAVES[path].params if not p.opts[-1].startswith("--")]
    assert "three" in wrong(simkit, *path, *["demo:bench"] * len(arguments), "three")


@pytest.mark.parametrize("path", LEAVES, ids=IDS)
def test_a_missing_argument_is_wrong_use_of_every_command_that_needs_one(simkit, path):
    needed = [p for p in LEAVES[path].params if p.required]
    if needed:
        assert f"Missing argument '{needed[0].metavar}'" in wrong(simkit, *path)


@pytest.mark.parametrize(("path", "option"), SINGLE, ids=[f"{'-'.join(path)}{option}" for path, option in SINGLE])
def test_an_option_that_says_two_things_of_which_one_would_count_is_wrong_use(simkit, path, option):
    code, out, err = simkit(*path, option, "1", f"{option}=2")
    assert (code, out) == (2, "")
    assert err == f"{option} is given twice, as '1' and as '2'; one can count.\nLeave one out.\n"


def test_an_option_that_says_the_same_twice_is_no_wrong_use(simkit):
    words = ["show", "demo:bench", "--at", "5c", "--json", "--at=5c", "--json"]
    assert simkit(*words) == simkit("show", "demo:bench", "--at", "5c", "--json")
    assert simkit(*words)[0] == 0


def test_what_stands_as_the_value_of_an_option_is_none():
    assert run(["run", "demo:serial-test", "--headless", "--for", "1c", "--type", "--seed", "--seed", "3"]) == 0


@pytest.mark.parametrize("words", [(), ("--help",), ("-h",), ("new",), ("new", "--help"), ("new", "card", "-h")])
def test_help_is_no_wrong_use(simkit, words):
    code, out, err = simkit(*words)
    assert (code, err) == (0, "")
    assert out.startswith("Usage: simkit")


def test_the_help_and_the_guides_tell_the_exit_codes_there_are(simkit):
    codes = {value for name, value in vars(exits).items() if name.isupper() and name != "BY_SIGNAL"} | {0}
    for text in (simkit("--help")[1], (ROOT / "README.md").read_text(encoding="utf-8")):
        told = re.search(r"Exit codes:\s(.*?gone)", text, re.DOTALL)[1]
        assert {int(code) for code in re.findall(r"(?:^|;)\s*(\d+)\s", told)} == codes
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("**How a command ends.**")[2]
    assert {int(code) for code in re.findall(r"^\| (\d+) \|", table, re.MULTILINE)} >= codes


def test_the_version_is_told_to_programs_too(simkit):
    told = json.loads(simkit("--version", "--json")[1])
    assert set(told) == {"version", "core"}
    assert simkit("--version")[1] == f"{told['version']}\ncore: {told['core']}\n"
    assert "--version stands alone." in wrong(simkit, "--version", "run")


def test_the_module_is_the_command():
    done = started("--version", capture_output=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert "core: " in done.stdout


@pytest.mark.parametrize("line", ["run demo:monitor --serial here", "check demo:monitor --serial-slot 3"])
def test_an_option_that_is_not_there_leads_to_the_one_of_a_near_name(simkit, line):
    code, _, err = simkit(*line.split())
    assert code == 2
    assert "--terminal" in err
