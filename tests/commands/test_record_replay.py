"""`run --record` and `--replay`, check of a recording, and runs that a signal ends, from the command line."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.commands.new import write_machine
from simkit.contract.plain import plain
from simkit.outside.journal import record
from simkit.outside.recording import read_recording

START = [sys.executable, "-c", "from simkit.commands.main import main; main()"]
START_GAME = ("--pad", "1=start@1s..1.2s")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Two seconds of the game."""
    path = tmp_path_factory.mktemp("recorded") / "a.rec"
    with pytest.raises(SystemExit) as ended:
        main(["run", "demo:marlpit", "--headless", "--for", "2s", *START_GAME, "--record", str(path)])
    assert ended.value.code == 0
    return path.read_bytes()


@pytest.fixture
def game(simkit, recorded):
    """Them as a.rec."""
    Path("a.rec").write_bytes(recorded)
    return "a.rec"


@pytest.mark.needs("/dev/full")  # names with control characters, as POSIX has them
def test_the_name_of_a_recording_is_told_in_one_line(simkit):
    for name in ("a\nb\x1b[2J", "a\u202eb", "a\x85b"):
        for force in ((), ("--force",)):
            code, _, err = simkit("run", "demo:monitor", "--headless", "--for", "1ms", "--record", name, *force)
            assert code == 0
            assert err.endswith(f"Recorded: {plain(name)}\n")
            assert len(err.splitlines()) == 1 + bool(force)
            assert err.replace("\n", "").isprintable()


def test_a_recording_that_had_to_end_before_the_run_is_told_and_gives_exit_code_1(simkit, monkeypatch):
    monkeypatch.setattr("simkit.outside.journal.MAX_ENTRIES", 3)
    code, out, err = simkit("run", "demo:marlpit", "--headless", "--for", "2s", *START_GAME, "--record", "a.rec")
    assert code == 1
    assert "Marlpit ran 2.000 s" in out
    assert "Note: a.rec ends at cycle" in err
    assert "before the run does: it holds" in err
    assert not read_recording("a.rec").cut


def spoil(name):
    """Nobody presses start, so no game begins."""
    lines = Path(name).read_text().splitlines(keepends=True)
    Path(name).write_text("".join(line for line in lines if '"press"' not in line))


def test_a_recorded_run_is_replayed(simkit, game):
    code, out, err = simkit("run", "demo:marlpit", "--headless", "--replay", game, "--text")
    assert (code, err) == (0, "")
    assert "2.000 s" in out
    assert "LV01" in out
    assert "PRESS START" not in out
    assert "Replayed as it was recorded: compared at one place.\n" in out


def test_a_replay_for_less_or_more_time_than_was_recorded(simkit, game):
    command = ("run", "demo:marlpit", "--headless", "--replay", game, "--json")
    short, exact, more = (
        json.loads(simkit(*command, *length)[1]) for length in (("--for", "0.5s"), (), ("--for", "2.5s"))
    )
    assert [1_000_000 <= short["cycle"] < 1_000_010, short["replayed"]["ended"]] == [True, False]
    assert (exact["replayed"]["ended"], exact["replayed"]["compared"]) == (True, 1)
    assert 5_000_000 <= more["cycle"] < 5_000_010
    assert more["replayed"]["ended"]


def test_json_tells_what_was_recorded_and_what_was_played(simkit, game):
    code, out, _ = simkit("run", "demo:marlpit", "--headless", "--replay", game, "--record", "b.rec", "--json")
    told = json.loads(out)
    assert code == 0
    assert told["recorded"] == {"file": "b.rec", "problem": None}
    played = told["replayed"]
    end = {"power_on": 1, "cycle": told["cycle"]}
    assert (played["file"], played["end"], played["cut"], played["why"]) == ("a.rec", end, False, None)
    assert (played["notes"], played["difference"], played["chapters"]) == ([], None, [])
    assert read_recording("b.rec").end == read_recording("a.rec").end
    told = json.loads(simkit("run", "demo:marlpit", "--headless", "--for", "1f", "--json")[1])
    assert (told["recorded"], told["replayed"]) == (None, None)


def test_a_replay_that_differs_is_told_with_its_place_and_exit_code_1(simkit, game):
    spoil(game)
    code, out, _ = simkit("run", "demo:marlpit", "--headless", "--replay", game, "--text")
    assert code == 1
    assert "The replay is not what was recorded: at cycle 4 000 00" in out
    assert "these differ: " in out
    assert "PRESS START" in out
    code, out, _ = simkit("run", "demo:marlpit", "--headless", "--replay", game, "--json")
    assert code == 1
    difference = json.loads(out)["replayed"]["difference"]
    assert difference["at"]["power_on"] == 1
    assert "slot 4" in difference["parts"]


def test_old_input_is_played_to_a_new_build_with_a_note(simkit, game):
    image = bytearray(Machine.load("demo:marlpit").images()[2])
    image[0x7000] ^= 1
    Path("new.bin").write_bytes(image)
    code, out, err = simkit("run", "demo:marlpit", "--image", "2=new.bin", "--headless", "--replay", game, "--json")
    assert code == 0
    assert err.startswith("Note: The recording was taken of 'Marlpit'. These differ: image of slot 2;")
    assert json.loads(out)["replayed"]["difference"] is None


def test_chapters_are_in_the_json(simkit):
    machine = Machine.load("demo:marlpit")
    with record(machine, "c.rec") as journal:
        machine.run(cycles=1000)
        journal.chapter("Level 2")
        machine.power_cycle()
        machine.run(cycles=1000)
    told = json.loads(simkit("run", "demo:marlpit", "--headless", "--replay", "c.rec", "--json")[1])
    (chapter,) = told["replayed"]["chapters"]
    assert (chapter["name"], chapter["power_on"]) == ("Level 2", 1)
    assert told["replayed"]["cycles"] == told["replayed"]["played_cycles"] > 2000
    assert told["cycle"] < 1100


def test_a_recording_that_was_cut_off_is_played_with_a_note(simkit, game):
    lines = Path(game).read_text().splitlines(keepends=True)
    Path(game).write_text("".join([*lines[:-1], lines[-1][:20]]))
    code, out, err = simkit("run", "demo:marlpit", "--headless", "--replay", game)
    assert code == 0
    assert "Note: The recording was cut off at cycle 4 000 00" in err
    assert "compared at one place" in out


def test_a_bad_path_is_told_before_anything_runs(simkit, game):
    began = time.monotonic()
    command = ("run", "demo:marlpit", "--headless", "--for", "9000s", "--record")
    for bad, message in {
        "no/a.rec": "The recording no/a.rec cannot be written",
        ".": "The recording . cannot be written: it is a folder",
        game: "a.rec exists; it stays as it is.\nChoose another name, or add --force.",
    }.items():
        code, out, err = simkit(*command, bad)
        assert (code, out) == (2, "")
        assert message in err
    assert time.monotonic() - began < 30
    assert read_recording(game).end.power_on == 1


def test_a_recording_is_written_over_with_force(simkit, game):
    code, _, _ = simkit("run", "demo:marlpit", "--headless", "--for", "1f", "--record", game, "--force")
    assert code == 0
    assert read_recording(game).end.cycle < 50_000


def test_the_recording_that_is_played_is_not_written_over(simkit, game):
    os.link(game, "same.rec")
    for name in (game, "./a.rec", "same.rec"):
        code, _, err = simkit("run", "demo:marlpit", "--headless", "--replay", game, "--record", name, "--force")
        assert code == 2
        assert f"--replay and --record name one file, {name.removeprefix('./')}." in err
    assert read_recording(game).end.cycle > 1_000_000


def test_a_wrong_replay_leaves_no_recording_behind(simkit):
    code, _, _ = simkit("run", "demo:marlpit", "--headless", "--replay", "no.rec", "--record", "b.rec")
    assert code == 2
    assert not Path("b.rec").exists()


def test_two_runs_do_not_write_one_recording(simkit):
    pytest.importorskip("fcntl", reason="this system locks no files")
    machine = Machine.load("demo:marlpit")
    with record(machine, "a.rec"):
        machine.run(cycles=100)
        code, _, err = simkit("run", "demo:marlpit", "--headless", "--for", "1f", "--record", "a.rec", "--force")
        assert code == 2
        assert "is being written by another run" in err
    assert read_recording("a.rec").end.cycle < 200


def test_an_error_in_the_run_ends_the_recording(simkit):
    code, _, err = simkit("run", "demo:traps", "--headless", "--for", "9f", "--record", "a.rec")  # without a screen
    assert code == 2
    assert err.startswith("Recorded: a.rec\n")
    assert not read_recording("a.rec").cut


FAILS = '''"""Fails when it is read."""
from typing import ClassVar
import attrs
from simkit.contract import Card, Register

@attrs.frozen(kw_only=True)
class NoSettings:
    pass

class Fails(Card):
    kind: ClassVar[str] = "fails"
    Settings: ClassVar[type] = NoSettings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "trap", "r"),)

    def peek(self, offset, cycle):
        return 0

    def read(self, offset, cycle):
        raise RuntimeError("a hole in the board")
'''


def test_a_card_that_fails_ends_the_recording_where_it_failed(simkit, tmp_path):
    folder, _ = write_machine(tmp_path / "hello")
    (folder / "fails.py").write_text(FAILS)
    file = folder / "machine.toml"
    text = file.read_text()
    keyboard = re.search(r'select = "(.*)"', text.partition("slot = 3")[2])[1]  # which is polled
    card = f'[[card]]\nslot = 9\nkind = "file:fails.py:Fails"\nselect = "{keyboard}"\n'
    file.write_text(f'{text}\n{card}[backplane]\noverlaps = "run"\n')
    code, _, err = simkit("run", folder, "--headless", "--record", "a.rec")
    assert code != 0
    assert "a hole in the board" in err
    recording = read_recording("a.rec")
    assert not recording.cut
    assert "an instruction was broken off there: CardError: slot 9" in recording.why
    code, _, again = simkit("run", folder, "--headless", "--replay", "a.rec")
    assert code != 0
    assert f"in cycle {recording.end.cycle - 1} " in again or "a hole in the board" in again


def test_what_is_typed_over_a_serial_line_is_recorded_as_what_reached_the_machine(tmp_path):
    path, serial = tmp_path / "a.rec", ["run", "demo:bench", "--terminal", "here"]
    told = subprocess.run(
        [*START, *serial, "--record", str(path)], input=b"slugs", capture_output=True, check=True, timeout=60
    )
    assert told.stdout.endswith(b"slugs")
    recording = read_recording(path)
    sent = [entry.fields["arguments"][0] for entry in recording.entries() if entry.kind == "input"]
    assert bytes(sent) == b"slugs"
    again = subprocess.run(
        [*START, *serial, "--replay", str(path), "--json"], input=b"!", capture_output=True, check=True, timeout=60
    )
    assert again.stdout == told.stdout + b"!"  # what comes meanwhile waits
    assert json.loads(again.stderr)["replayed"]["compared"] >= 1


# check ----------------------------------------------------------------------------------------------------------------


def test_a_recording_is_checked(simkit, game):
    code, out, _ = simkit("check", "demo:marlpit", "--replay", game, "--for", "0.8s", "--json")
    assert code == 0, out
    code, _, err = simkit("check", "demo:marlpit", "--replay", "b.rec")
    assert code == 2
    assert "There is no recording b.rec" in err


def test_a_check_of_a_replay_that_differs_says_so(simkit, game):
    assert simkit("check", "demo:marlpit", "--replay", game)[0] == 0
    spoil(game)
    code, out, _ = simkit("check", "demo:marlpit", "--replay", game)
    assert code == 1
    assert "The replay is not what was recorded" in out


def test_a_check_goes_on_behind_a_power_cycle_and_stops_where_it_cannot_follow(simkit, tmp_path):
    folder, _ = write_machine(tmp_path / "hello")
    machine = Machine.load(folder)
    with record(machine, tmp_path / "a.rec") as journal:
        machine.run(seconds=0.2)
        machine.power_cycle()
        machine.run(seconds=0.3)
        machine.power_cycle()
        machine.run(seconds=0.1)
        journal.go_on_with(Machine.load(folder))
    code, out, _ = simkit("check", folder, "--replay", tmp_path / "a.rec", "--json")
    told = json.loads(out)
    assert code == 0, out
    assert 1_200_000 <= told["cycles"] < 1_200_100
    assert any("what a check cannot follow (a machine loaded anew)" in remark for remark in told["remarks"])
    assert [finding for finding in told["findings"] if not finding["accepted"]] == []


def test_a_check_watches_behind_a_power_cycle_too(simkit, tmp_path):
    machine = Machine.load("demo:traps")
    with record(machine, "a.rec"):
        machine.run(cycles=20)
        machine.power_cycle()
        machine.run(cycles=1000)
    found = [
        [finding["rule"] for finding in json.loads(simkit("check", "demo:traps", "--json", *options)[1])["findings"]]
        for options in (("--replay", "a.rec"), ("--for", "1000c"), ("--for", "20c"))
    ]
    assert found[0] == found[1] != found[2]


# signals --------------------------------------------------------------------------------------------------------------

ENDINGS = [
    pytest.param(
        name,
        marks=pytest.mark.skipif(
            not hasattr(signal, name) or sys.platform == "win32", reason=f"this system has no {name}"
        ),
    )
    for name in ("SIGTERM", "SIGHUP")
]


def wait_for(condition, process, seconds=60):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it did not happen in time"
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)


def lines_of(path):
    return path.read_bytes().count(b"\n") if path.exists() else 0


@pytest.mark.parametrize("name", ENDINGS)
def test_a_run_without_a_window_ends_in_order(tmp_path, name):
    path, number = tmp_path / "a.rec", getattr(signal, name)
    command = ["run", "demo:marlpit", "--headless", "--for", "9000s", *START_GAME, "--png", "end.png", "--json"]
    run = subprocess.Popen(
        [*START, *command, "--record", str(path)],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_for(lambda: lines_of(path) > 3, run)
    run.send_signal(number)
    out, err = run.communicate(timeout=60)
    assert (run.returncode, err) == (128 + number, f"Recorded: {path}\n\nStopped by {name}.\n")
    told = json.loads(out)
    assert told["stopped"]
    assert (tmp_path / "end.png").read_bytes().startswith(b"\x89PNG")
    recording = read_recording(path)
    assert (recording.cut, recording.why, recording.end.cycle) == (False, None, told["cycle"])
    assert [entry.kind for entry in recording.entries()][-2:] == ["hash", "end"]


def test_ctrl_c_ends_in_order_with_130(tmp_path):
    path = tmp_path / "a.rec"
    command = ["run", "demo:marlpit", "--headless", "--for", "9000s", *START_GAME, "--record", str(path)]
    run = subprocess.Popen([*START, *command], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: lines_of(path) > 3, run)
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=60)
    assert (run.returncode, err) == (130, f"Recorded: {path}\n\nStopped.\n")
    assert ", then it was stopped." in out
    assert read_recording(path).why is None


@pytest.mark.parametrize("name", ENDINGS)
def test_a_run_on_a_serial_line_ends_in_order(tmp_path, name):
    path, number = tmp_path / "a.rec", getattr(signal, name)
    command = ["run", "demo:bench", "--terminal", "here", "--capture", "sent.txt", "--record", str(path)]
    run = subprocess.Popen(
        [*START, *command], cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    run.stdin.write(b"slugs")
    run.stdin.flush()
    wait_for(lambda: lines_of(path) > 5, run)
    run.send_signal(number)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 128 + number
    assert err.endswith(f"Stopped by {name}.\n".encode())
    assert out.endswith(b"slugs")
    assert (tmp_path / "sent.txt").read_bytes() == out
    assert not read_recording(path).cut


@pytest.mark.parametrize("name", ENDINGS[:1])
def test_a_line_whose_reader_waits_does_not_keep_a_run_from_ending(tmp_path, name):
    path = tmp_path / "a.rec"
    command = ["run", "demo:bench", "--terminal", "here", "--record", str(path)]
    (tmp_path / "text").write_bytes(b"x" * 200_000)  # the echo fills the pipe, which nobody reads
    with (tmp_path / "text").open("rb") as text:
        run = subprocess.Popen(
            [*START, *command], stdin=text, stdout=subprocess.PIPE, stderr=subprocess.PIPE, pipesize=4096
        )
    before = -1
    while lines_of(path) > before or before < 10:
        before = lines_of(path)
        time.sleep(0.7)
        assert run.poll() is None
    assert before < 150_000
    run.send_signal(getattr(signal, name))
    run.wait(timeout=30)
    assert run.returncode == 128 + signal.SIGTERM
    assert not read_recording(path).cut
    run.communicate()


@pytest.mark.parametrize(
    "name", [ENDINGS[0], *(pytest.param(*end.values, marks=(*end.marks, pytest.mark.slow)) for end in ENDINGS[1:])]
)
def test_a_window_ends_in_order(tmp_path, name):
    path, number = tmp_path / "a.rec", getattr(signal, name)
    environment = {**os.environ, "SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "dummy"}
    run = subprocess.Popen(
        [*START, "run", "demo:marlpit", *START_GAME, "--record", str(path)],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_for(lambda: lines_of(path) > 2, run)
    run.send_signal(number)
    _, err = run.communicate(timeout=60)
    assert (run.returncode, err) == (128 + number, f"Recorded: {path}\n\nStopped by {name}.\n")
    recording = read_recording(path)
    assert (recording.cut, recording.why) == (False, None)


@pytest.mark.parametrize("name", ENDINGS[1:])
def test_a_signal_that_was_ignored_at_the_start_stays_ignored(tmp_path, name):
    """As `nohup` has it (IEEE Std 1003.1-2017, nohup)."""
    path = tmp_path / "a.rec"
    ignoring = (
        f"import signal, os, sys; signal.signal(signal.{name}, signal.SIG_IGN); os.execv(sys.argv[1], sys.argv[1:])"
    )
    command = ["run", "demo:marlpit", "--headless", "--for", "20s", *START_GAME, "--record", str(path)]
    run = subprocess.Popen(
        [sys.executable, "-c", ignoring, *START, *command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    wait_for(lambda: lines_of(path) > 2, run)
    run.send_signal(getattr(signal, name))
    out, _ = run.communicate(timeout=60)
    assert run.returncode == 0
    assert "ran 20.000 s" in out


@pytest.mark.parametrize("name", ENDINGS[1:])
def test_a_run_whose_terminal_has_gone_still_ends_in_order(tmp_path, name):
    pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
    path = tmp_path / "a.rec"
    ours, theirs = pty.openpty()
    command = ["run", "demo:marlpit", "--headless", "--for", "9000s", "--png", "end.png", *START_GAME]
    run = subprocess.Popen(
        [*START, *command, "--record", str(path)],
        cwd=tmp_path,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    wait_for(lambda: lines_of(path) > 3, run)
    os.close(ours)  # what was printed to it fails from now on
    run.send_signal(getattr(signal, name))
    assert run.wait(timeout=60) == 128 + signal.SIGHUP
    assert not read_recording(path).cut
    assert (tmp_path / "end.png").exists()


@pytest.mark.parametrize(
    ("begin", "cycle"), [("chapter:Later", 2_000_000), ("0.5s", 1_000_000), ("label:main_loop", None)]
)
def test_the_window_shows_a_recording_from_a_place_on(simkit, tmp_path, monkeypatch, begin, cycle):
    from simkit.commands import windowed

    machine, tape = Machine.load("demo:marlpit"), tmp_path / "a.rec"
    with record(machine, tape) as journal:
        machine.run(seconds=1)
        journal.chapter("Later")
        machine.run(seconds=1)
    shown = []
    monkeypatch.setattr(windowed, "run_window", lambda run, *_: shown.append(run.machine.cycle))
    assert simkit("run", "demo:marlpit", "--replay", str(tape), "--from", begin)[0] == 0
    wanted = cycle if cycle is not None else Machine.load("demo:marlpit").run("label:main_loop")
    assert 0 <= shown[0] - wanted < 10


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--from", "chapter:None"], "no chapter 'None'"),
        (["--from", "99s"], "does not come before the end"),
        (["--from", "1s", "--headless"], "--from says"),
    ],
)
def test_a_place_that_is_not_in_the_recording_is_told(simkit, tmp_path, words, says):
    machine, tape = Machine.load("demo:marlpit"), tmp_path / "a.rec"
    with record(machine, tape):
        machine.run(seconds=0.1)
    code, _, err = simkit("run", "demo:marlpit", "--replay", str(tape), *words)
    assert code == 2
    assert says in err
