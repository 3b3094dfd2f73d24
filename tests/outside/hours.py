"""Hours of play without a window: recorded, and the recording replayed; memory stays as it is, and the end is the same.

python tests/outside/hours.py --hours 24                  # Marlpit at 1 MHz: about 40 minutes of one core
python tests/outside/hours.py --hours 1 --clock "2 MHz"

Prints a line for each half hour, and JSON at the end; exit code 1 when the replay is another run.
"""

import argparse
import json
import random
import sys
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

from simkit import Machine, record
from simkit.outside.player import Player
from simkit.outside.recording import read_recording

BUTTONS = ("up", "down", "left", "right", "a", "b", "start", "select")


def memory_kb():
    """Memory of this process that is in use now (proc(5), VmRSS)."""
    status = Path("/proc/self/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1])


def play(machine, journal, hours, rng, told):
    """Ten seconds of planned input after another, now and then a reset or a chapter."""
    hz = machine.clock_hz
    end, due = int(hours * 3600 * hz), 0
    while machine.cycle < end:
        at, until = machine.cycle, min(end, machine.cycle + int(10 * hz))
        while (at := at + int(Fraction(rng.randrange(30, 300), 100) * hz)) < until:
            button = rng.choice(BUTTONS)
            pad = machine.pads[rng.choice((1, 2))]
            pad.press(button, at=at)
            pad.release(button, at=at + int(Fraction(rng.randrange(5, 40), 100) * hz))
        machine.run(cycles=until - machine.cycle)
        if rng.random() < 0.0005:
            machine.reset()
        if rng.random() < 0.0005:
            journal.chapter("here")
        if machine.cycle >= due:
            due = machine.cycle + int(1800 * hz)
            told("played", machine.cycle / hz / 3600)


def replay(machine, recording, told):
    """Play it all; gives the player."""
    player, due = Player(machine, recording), 0
    while not player.ended:
        player.run(int(60 * machine.clock_hz))
        if player.played >= due:
            due = player.played + int(1800 * machine.clock_hz)
            told("replayed", player.played / machine.clock_hz / 3600)
    return player


def main(words):
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--hours", type=Fraction, default=Fraction(1), help="machine time")
    options.add_argument("--clock", default="1 MHz")
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args(words)
    memory = {"played": [], "replayed": []}

    def told(what, hours):
        memory[what].append(memory_kb())
        print(f"{what} {float(hours):.2f} h, {memory[what][-1]} kB", file=sys.stderr, flush=True)

    with TemporaryDirectory() as folder:
        path = Path(folder) / "hours.rec"
        machine = Machine.load("demo:marlpit", clock=asked.clock)
        with record(machine, path) as journal:
            play(machine, journal, asked.hours, random.Random(asked.seed), told)
        player = replay(Machine.load("demo:marlpit", clock=asked.clock), read_recording(path), told)
    same = player.difference is None and player.machine.state_hashes() == machine.state_hashes()
    found = {"cycles": machine.cycle, "compared": player.compared, "same": same, "memory kB": memory}
    print(json.dumps(found))
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
