"""Captures that come piece by piece: the same comes out, and each disagreement is told when it is found."""

import json
import os
import signal
import subprocess
import sys
import threading

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.compare.judged import Leading, led
from simkit.compare.rows import Rows
from tests.compare.takes import SOUND_SEED, noise, observed, taken

FAULT = "slot 2: D3 stuck low"


def capture(seed, *, cycles=3000, wiring=(), start_within=200):
    machine, seen = observed("demo:marlpit", seed, cycles=cycles, wiring=wiring)
    return taken(machine, seen, noise(seed, start_within=start_within), seed)[0]


def in_pieces(captured, size):
    return [captured[at : at + size] for at in range(0, len(captured), size)]


@pytest.mark.parametrize("size", [1, 97, 1024])
def test_rows_that_come_in_pieces_are_those_of_the_whole(size):
    captured = capture(31, cycles=1200)
    first, *more = in_pieces(captured, size)
    rows = Rows.of(first)
    for piece in more:
        rows.add(piece)
    whole = Rows.of(captured)
    assert rows.words == whole.words
    assert rows.place == whole.place
    assert rows.cycle == whole.cycle


@pytest.mark.parametrize("wiring", [(), (FAULT,)])
def test_what_comes_in_pieces_comes_to_what_the_whole_does(wiring):
    machine = Machine.load("demo:marlpit", seed=SOUND_SEED)
    captured = capture(32, wiring=wiring)
    first, *more = in_pieces(captured, 211)
    leading = Leading(machine, first)
    early = []
    for piece in more:
        leading.add(piece)
        early.append(leading.judged())
    found, whole = leading.end(), led(machine, captured)
    assert np.array_equal(found.verdict, whole.verdict)
    assert [each.row for each in found.disagreements] == [each.row for each in whole.disagreements]
    assert found.parts == whole.parts
    assert len(early[0]) < len(captured)
    if wiring:
        told = next(at for at, each in enumerate(early) if each.first is not None)
        assert told < len(early) // 2
        assert early[told].first.row == whole.first.row


def lines(cycles):
    """Bus lines of a machine with a fault."""
    _, seen = observed("demo:marlpit", 33, cycles=cycles, wiring=(FAULT,))
    yield "bus-lines 1 cycles address data RW SYNC\n"
    names = [*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC"]
    columns = np.array([seen.level(name) for name in names]).T
    for row in columns.tolist():
        address, data = (sum(bit << n for n, bit in enumerate(part)) for part in (row[:16], row[16:24]))
        yield f"{address:04X} {data:02X} {int(row[24])} {int(row[25])}\n"


@pytest.fixture
def begun(tmp_path):
    """Starts the command on a pipe, and gives it and the end that is written to."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("there are no named pipes here")
    pipe = tmp_path / "bus"
    os.mkfifo(pipe)
    processes = []
    timers = []

    def begin(*words):
        command = [sys.executable, "-m", "simkit", "compare", "demo:marlpit", str(pipe), *words]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        processes.append(process)
        timers.append(threading.Timer(30, process.kill))  # so that nobody waits for it for ever
        timers[-1].start()
        return process, pipe.open("w")

    yield begin
    for timer in timers:
        timer.cancel()
    for process in processes:
        process.kill()
        process.communicate()


def test_disagreements_are_told_as_they_are_found_and_ctrl_c_ends_with_the_summary(begun):
    process, monitor = begun()
    source = lines(4000)
    with monitor:
        for line in source:
            monitor.write(line)
        monitor.flush()
        assert process.stdout.readline().startswith("cycle ")  # while the pipe is open
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, err.split()) == (130, ["Stopped."])
    assert "First disagreement: cycle" in out
    assert "D3, when ROM (slot 2) is read: always low" in out


def test_for_programs_they_are_rows_of_one_document(begun):
    process, monitor = begun("--json")
    with monitor:
        monitor.writelines(lines(1500))
    out, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (1, "")
    told = json.loads(out)
    assert told["disagreements"][0]["cycle"] == told["first"]["cycle"]
    assert told["lines"][0]["how"] == "always low"


def test_a_pipe_from_which_no_cycle_comes_says_so(begun):
    process, monitor = begun()
    with monitor:
        monitor.write("bus-lines 1 cycles address data RW SYNC\n")
    _, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert "No bus cycle came from" in err


def test_pieces_keep_their_lines():
    captured = capture(34, cycles=400)
    other = attrs.evolve(captured, names=captured.names[::-1])
    rows = Rows.of(captured)
    with pytest.raises(ValueError, match="lines"):
        rows.add(other)
