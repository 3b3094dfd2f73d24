"""Ten minutes of the game, a hash each second: the same on the core, on the exact engine, in a browser's Python."""

import io
import json
import random
import subprocess
import time
import zipfile
from pathlib import Path

import pytest

from simkit import Machine
from simkit.kit.states import states_on_the_way
from simkit.outside import journal as journal_module
from simkit.outside.entries import Place
from simkit.outside.journal import record
from simkit.outside.jumping import stored_states
from simkit.outside.player import Player
from simkit.outside.recording import read_recording
from simkit.page.packages import python_zip
from tests.pyodide import pyodide_folder

pytestmark = pytest.mark.slow

MINUTES = 10
WINDOWS = 20
WINDOW_SECONDS = 0.2
FROM_RESET_SECONDS = 20
IN_PYODIDE = Path(__file__).parents[1] / "cpu" / "core" / "in_pyodide.mjs"

PROGRAM = """
import json, sys
from pathlib import Path
from simkit import Machine
from simkit.outside.entries import Place
from simkit.outside.jumping import stored_states
from simkit.outside.player import Player
from simkit.outside.recording import read_recording

home = Path({home!r})
facts = json.loads((home / "facts.json").read_text())
recording = read_recording(home / "long.rec")
states = stored_states(recording, [(Place(*at), (home / name).read_bytes()) for at, name in facts["states"]])

def machine():
    return Machine.load(home / "demo/marlpit/machine.toml", engine={engine!r})

player = Player(machine(), recording)
windows = []
for cycles in facts["windows"]:
    player.jump(cycles, states)
    player.run({window_cycles})
    windows.append([player.machine.cycle, player.machine.state_hashes()])
fresh = Player(machine(), recording)
fresh.run({from_reset})
result = dict(
    windows=windows, compared=fresh.compared, difference=fresh.difference and fresh.difference.words(),
    python=sys.version.split()[0],
)
"""


def play_long(path, seed):
    """Random fingers on both pads and on the keyboard."""
    rolls = random.Random(seed)
    machine = Machine.load("demo:marlpit")
    with record(machine, path):
        machine.run(seconds=2)
        held = []
        while machine.seconds < 60 * MINUTES:
            pad = machine.pads[rolls.randint(1, 2)]
            button = rolls.choice(("start", "left", "right", "up", "down", "a", "a", "b", "select"))
            if rolls.random() < 0.6:
                pad.press(button)
                held.append((pad, button))
            elif held:
                before, button = held.pop(rolls.randrange(len(held)))
                before.release(button)
            if rolls.random() < 0.1:
                key = rolls.choice(("enter", "space", "left", "b", "escape"))
                machine.keys.press(key)
                machine.keys.release(key, at=machine.cycle + 200_000)
            machine.run(seconds=rolls.choice((0.02, 0.1, 0.3, 1.0)))
    return machine


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    """The recording with its states, where windows begin, and what straight play on the core comes to at their ends."""
    home = tmp_path_factory.mktemp("long")
    began = time.perf_counter()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(journal_module, "HASH_SECONDS", 1)
        play_long(home / "long.rec", seed=11)
    recorded = time.perf_counter() - began
    recording = read_recording(home / "long.rec")
    states = list(states_on_the_way(Machine.load("demo:marlpit"), recording, seconds=10))
    stored = stored_states(recording, states)
    named = []
    for number, (at, data) in enumerate(states):
        (home / f"{number}.state").write_bytes(data)
        named.append([[at.power_on, at.cycle], f"{number}.state"])
    windows = sorted(one.cycles for one in random.Random(12).sample(stored[:-1], WINDOWS))
    (home / "facts.json").write_text(json.dumps({"states": named, "windows": windows}))
    player = Player(Machine.load("demo:marlpit"), recording)
    hz = int(player.machine.clock_hz)
    ends = []
    for cycles in windows:
        player.run(cycles - player.played)
        player.run(int(WINDOW_SECONDS * hz))
        ends.append([player.machine.cycle, player.machine.state_hashes()])
    player.run(recording.cycles)
    assert player.difference is None
    assert player.compared > 60 * MINUTES - 5
    print(f"\nrecorded {MINUTES} minutes in {recorded:.0f} s, {player.compared} hashes equal")
    zipfile.ZipFile(io.BytesIO(python_zip())).extractall(home)
    for name in ("demo/marlpit/machine.toml", "roms/slug-watch.bin", "roms/slug-watch.labels"):
        (home / name).parent.mkdir(parents=True, exist_ok=True)
        (home / name).write_bytes((Path(__file__).parents[2] / name).read_bytes())
    return home, ends, hz


def program(home, hz, engine):
    return PROGRAM.format(
        home=home, engine=engine, window_cycles=int(WINDOW_SECONDS * hz), from_reset=FROM_RESET_SECONDS * hz + 100
    )


def equal(result, ends, where, seconds):
    assert result["windows"] == ends
    assert result["difference"] is None
    assert result["compared"] >= FROM_RESET_SECONDS
    told = f"{len(ends)} windows and {result['compared']} hashes from reset equal, Python {result['python']}"
    print(f"\n{where}: {told}, {seconds:.0f} s")


@pytest.mark.parametrize("engine", ["exact", "core"])
def test_windows_from_stored_states_and_the_beginning_are_the_same_on_each_engine(long, engine):
    home, ends, hz = long
    began = time.perf_counter()
    names = {}
    exec(program(str(home), hz, engine), names)
    equal(names["result"], ends, engine, time.perf_counter() - began)


def test_they_are_the_same_in_a_browsers_python(long):
    home, ends, hz = long
    began = time.perf_counter()
    done = subprocess.run(
        ["node", str(IN_PYODIDE), str(pyodide_folder()), str(home)],
        input=program("/packages", hz, "core"),
        capture_output=True,
        text=True,
        timeout=500,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    equal(json.loads(done.stdout), ends, "browser", time.perf_counter() - began)


def test_places_of_states_are_those_of_the_recording(long):
    home, _, _ = long
    facts = json.loads((home / "facts.json").read_text())
    places = [Place(*at) for at, _ in facts["states"]]
    assert places == sorted(places)
    assert len(facts["windows"]) == WINDOWS
