"""A run that is killed leaves a recording that is good up to its last whole line."""

import os
import random
import signal
import subprocess
import sys
import time

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.outside.player import replay
from simkit.outside.recording import read_recording

if not hasattr(signal, "SIGKILL"):
    pytest.skip("this system has no SIGKILL", allow_module_level=True)

BUSY = """
import sys
from simkit import Machine
from simkit.outside.journal import record
machine = Machine.load("demo:marlpit", seed=5)
print("ready", flush=True)
with record(machine, sys.argv[1]) as journal:
    for number in range(1_000_000):
        machine.pads[1].press("right" if number % 3 else "start")
        machine.run(cycles=7001)
        machine.pads[1].release("right" if number % 3 else "start")
        machine.poke(0x200 + number % 64, number & 0xFF)
        machine.cpu.x = number & 0xFF
        machine.run(cycles=503)
        if number % 9 == 0:
            state = machine.save_state()
            journal.chapter()
        if number % 23 == 5:
            machine.load_state(state)
        if number % 41 == 7:
            machine.power_cycle()
"""


def killed(command, path, seconds, **options):
    """Start a run that records, and kill it after so many seconds from when it is ready."""
    with subprocess.Popen([sys.executable, *command, str(path)], stdout=subprocess.PIPE, text=True, **options) as run:
        try:
            assert run.stdout.readline() == "ready\n"
            time.sleep(seconds)
        finally:
            run.send_signal(signal.SIGKILL)
    assert run.returncode == -signal.SIGKILL


def check_good_up_to_its_last_whole_line(path):
    """Gives how many entries were good; None when the run was killed before it wrote its first line."""
    if not path.exists() or not path.stat().st_size:
        return None
    recording = read_recording(path)
    assert recording.cut
    player = replay(Machine.load("demo:marlpit", seed=5), path)
    assert player.ended
    assert player.difference is None
    assert player.played == recording.cycles
    assert any("was cut off at" in note for note in player.notes)
    return sum(1 for _ in recording.entries())


def kills(tmp_path, number, seed):
    """How many entries were good behind each kill that came after the first line."""
    chance = random.Random(seed)
    found = []
    for turn in range(3 * number):
        path = tmp_path / f"{turn}.rec"
        killed(["-c", BUSY], path, 0.02 + chance.choice((0.05, 0.2, 0.5)) * chance.random())
        good = check_good_up_to_its_last_whole_line(path)
        if good is not None:
            found.append(good)
        if len(found) == number:
            return found
    raise AssertionError("the runs do not begin to write")


def test_a_recording_is_good_up_to_its_last_whole_line_whenever_the_run_is_killed(tmp_path):
    assert max(kills(tmp_path, 4, seed=1)) > 20


@pytest.mark.slow
def test_200_kills_leave_200_good_recordings(tmp_path):
    assert len(set(kills(tmp_path, 200, seed=2))) > 30  # at many different places


def test_every_length_of_a_recording_is_good_up_to_its_last_whole_line(tmp_path):
    """What no signal will hit in time: each number of bytes that a killed run can leave."""
    path = tmp_path / "whole.rec"
    from simkit.outside.journal import record

    machine = Machine.load("demo:marlpit", seed=5)
    with record(machine, path) as journal:
        machine.run(cycles=500)
        journal.chapter("one")
        machine.pads[1].press("start")
        machine.poke(0x200, 1)
        machine.run(cycles=500)
        machine.power_cycle()
        machine.cpu.x = 5
    content = path.read_bytes()
    ends = [at + 1 for at, byte in enumerate(content) if byte == 0x0A]
    for length in range(len(content)):
        path.write_bytes(content[:length])
        if length < ends[0]:
            with pytest.raises(SimkitError, match="is empty" if not length else "cut off within its first line"):
                read_recording(path)
            continue
        recording = read_recording(path)
        whole = sum(end <= length for end in ends)
        assert sum(1 for _ in recording.entries()) == whole - 1
        assert recording.cut
        if length in ends or length + 1 in ends:
            player = replay(Machine.load("demo:marlpit", seed=5), path)
            assert player.ended
            assert (player.machine.cycle, player.played) == (recording.end.cycle, recording.cycles)


def test_the_command_too_leaves_a_good_recording_when_it_is_killed(tmp_path):
    path = tmp_path / "a.rec"
    start = "from simkit.commands.main import main; main()"
    command = ["run", "demo:marlpit", "--seed", "5", "--headless", "--for", "2000s", "--pad", "1=start@0.6s..0.7s"]
    run = subprocess.Popen([sys.executable, "-c", start, *command, "--record", str(path)], stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while not (path.exists() and path.read_bytes().count(b"\n") > 4):
            assert time.monotonic() < until
            time.sleep(0.05)
    finally:
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
    assert check_good_up_to_its_last_whole_line(path) >= 4
