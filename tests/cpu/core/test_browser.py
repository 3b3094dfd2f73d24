"""The core in a browser's Python: the wheel runs in Pyodide under node, and a machine there is the machine here."""

import hashlib
import json
import shutil
import subprocess
import sys
import zipfile
from importlib.metadata import distribution
from pathlib import Path

import pytest

from simkit import Machine
from tests.pyodide import pyodide_folder

ROOT = Path(__file__).parents[3]
PACKAGES = ("attrs", "py65")
"""What the kit needs to run a machine; both are pure Python."""

SECONDS = 240


@pytest.fixture(scope="module")
def in_browser(core, tmp_path_factory):
    """Runs a program in Pyodide with what the wheel and two packages hold, and gives its `result`."""
    pyodide = pyodide_folder()
    if shutil.which("node") is None:
        pytest.skip("there is no node to run Pyodide with: install nodejs 20 or later")
    work = tmp_path_factory.mktemp("browser")
    packages = work / "packages"
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(work), str(ROOT)]
    done = subprocess.run(build, capture_output=True, text=True, timeout=SECONDS)
    assert done.returncode == 0, done.stderr
    (wheel,) = work.glob("*.whl")
    zipfile.ZipFile(wheel).extractall(packages)
    for name in PACKAGES:
        for file in distribution(name).files:
            if ".." not in file.parts and "__pycache__" not in file.parts:
                (packages / file).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file.locate(), packages / file)

    def run(program):
        command = ["node", str(Path(__file__).with_name("in_pyodide.mjs")), str(pyodide), str(packages)]
        done = subprocess.run(command, input=program, capture_output=True, text=True, timeout=SECONDS)
        assert done.returncode == 0, done.stderr[-4000:]
        return json.loads(done.stdout)

    return run


def here(program):
    done = subprocess.run(
        [sys.executable, "-c", f"{program}\nimport json\nprint(json.dumps(result))"],
        capture_output=True, text=True, timeout=SECONDS, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


PLAY = """
import hashlib
from simkit import Machine
from simkit.cpu.core.modules import FILES, module_file

def sha(data):
    return hashlib.sha256(data).hexdigest()

machine = Machine.load("demo:marlpit", engine="core")
room = machine.cpu._room
counts = {"entered": 0, "by the core": 0}
run = room.run

def counted(state):
    before = machine.cpu._longs[CYCLE]
    run(state)
    counts["entered"] += 1
    counts["by the core"] += machine.cpu._longs[CYCLE] - before

from simkit.cpu.core.engine import _CYCLE as CYCLE
room.run = counted
pictures = []
grown = None
for frame in range(120):
    if frame % 12 == 3:
        button = ("start", "right", "down", "left", "up", "a")[frame // 12 % 6]
        machine.pads[1].press(button)
        machine.pads[1].release(button, at=machine.cycle + 200_000)
        machine.keys.press("a")
        machine.keys.release("a", at=machine.cycle + 100_000)
    machine.run(frames=1)
    pictures.append(machine.screen.port.pixels(machine.cycle))
    if frame == 60:
        grown = grow()
result = {
    "state": sha(machine.save_state()),
    "pictures": sha(b"".join(pictures)),
    "different pictures": len(set(pictures)),
    "cycle": machine.cycle,
    "counts": counts,
    "modules": {part: sha(module_file(part).read_bytes()) for part in FILES},
}
"""

GROW = """
import pyodide_js
kept = []

def grow():
    before = pyodide_js._module.HEAPU8.length
    kept.append(bytearray(before))
    return before, pyodide_js._module.HEAPU8.length
"""

MORE = """
import sys
COMPILED = "numpy", "pygame", "greenlet", "wasmtime", "typer", "rich", "bincopy"
from simkit.cpu.core.runtime import words
result |= {
    "words": words(),
    "grown": grown,
    "compiled": [n for n in COMPILED if n in sys.modules],
}
"""


TOGETHER = """
programs = {programs!r}
results = {{}}
for name, program in programs.items():
    names = {{"__name__": name}}
    exec(program, names)
    results[name] = names["result"]
result = results
"""
"""Starting a browser's Python takes longer than most programs in it."""


@pytest.fixture(scope="module")
def both(in_browser):
    """By program: its result in a browser's Python and here."""
    grow = {"there": GROW + PLAY + MORE, "here": "def grow(): pass" + PLAY}
    there, desktop = (
        run(TOGETHER.format(programs={"failing": FAILING, "recorded": RECORDED, "play": grow[where]}))
        for where, run in (("there", in_browser), ("here", here))
    )
    return {name: (there[name], desktop[name]) for name in there}


def test_a_game_played_in_a_browsers_python_ends_in_the_same_state_with_the_same_pictures(both):
    """The interpreter's memory grows in the middle of it."""
    there, desktop = both["play"]
    assert there.pop("words").startswith("Pyodide ")
    assert there.pop("compiled") == []
    before, after = there.pop("grown")
    assert after > before
    assert there == desktop
    assert there["counts"]["by the core"] > 0.5 * there["cycle"]
    assert there["different pictures"] > 10


RECORDED = """
import hashlib
from simkit import Machine

result = {}
for name in ("demo:marlpit", "demo:bench"):  # a part each
    machine = Machine.load(name, engine="core")
    run = machine.cpu._room.run_recorded
    entered = []

    def counted(state):
        entered.append(machine.cycle)
        run(state)

    machine.cpu._room.run_recorded = counted
    records = hashlib.sha256()
    handle = machine.bus.record(records.update)
    machine.run(cycles=400_000)
    handle.remove()
    result[name] = [machine.description.cpu, records.hexdigest(), len(entered)]
"""


def test_bus_cycles_recorded_in_a_browsers_python_are_those_recorded_here(both):
    there, desktop = both["recorded"]
    assert there == desktop
    assert {part for part, _, _ in there.values()} == {"65C02", "6502"}
    assert all(entered > 10 for _, _, entered in there.values())


FAILING = """
import hashlib
from simkit import Machine

class Chewed(Exception):
    pass

result = []
for error in (Chewed("a snail sits on it"), KeyboardInterrupt()):
    machine = Machine.load("demo:marlpit", engine="core")
    machine.run(frames=20)
    card = next(seat.card for seat in machine.bus.seats if seat.kind == "serial-pads")
    card_read, left = card.read, [3]

    def read(offset, cycle):
        left[0] -= 1
        if not left[0]:
            raise error
        return card_read(offset, cycle)

    card.read = read
    try:
        machine.run(frames=20)
        told = "nothing"
    except BaseException as raised:
        told = f"{type(raised).__name__}: {raised}"
    after = machine.cycle, machine.cpu.pc, machine.cpu.last_notes(3)
    machine.reset()
    machine.run(frames=20)
    result.append([told, after, hashlib.sha256(machine.save_state()).hexdigest()])
"""


def test_what_a_card_raises_comes_out_of_a_browsers_core_as_it_does_here(both):
    there, desktop = both["failing"]
    assert there == desktop
    (card, _, _), (interrupt, _, _) = there
    assert "a snail sits on it" in card
    assert interrupt.startswith("KeyboardInterrupt")


MANY = """
import gc
import pyodide_js
from simkit import Machine
from simkit.cpu.core.browser import _BrowserInstance
from simkit.machinefile.read import read_description

description = read_description("demo:marlpit")

def some(count):
    states = set()
    for number in range(count):
        machine = Machine(description, engine="core")
        machine.run(cycles=2000)
        states.add(machine.save_state())
    assert len(states) == 1
    return machine

view = some(1).bus.seats[0].plain.read
view[5] = 0x77
heaps = []
for turn in range(4):
    some(25)
    gc.collect()
    heaps.append(pyodide_js._module.HEAPU8.length)
result = {
    "heaps": heaps,
    "alive": sum(isinstance(thing, _BrowserInstance) for thing in gc.get_objects()),
    "view": view[5],
}
"""


@pytest.mark.slow
def test_machines_of_a_browser_are_let_go_and_a_view_keeps_its_memory(in_browser):
    there = in_browser(MANY)
    assert there["alive"] <= 3  # the trial's, and what nobody has collected yet
    assert there["heaps"][1] == there["heaps"][-1]
    assert there["view"] == 0x77


NO_CORE = """
import hashlib
import js
import pyodide_js
from simkit.cpu.core import runtime

{spoil}
from simkit import Machine
machine = Machine.load("demo:marlpit")
machine.run(cycles=300_000)
result = [runtime.words(), machine.cpu.arena is None, hashlib.sha256(machine.save_state()).hexdigest()]
"""

SPOILT = {
    "does not show its memory": "del pyodide_js._module.memory",
    "a trial": "pyodide_js._module.memory = js.eval('new WebAssembly.Memory({initial: 4096})')",
    "too large": "js.eval('WebAssembly.Module = function() { throw RangeError(`too large for this thread`) }')",
}


@pytest.mark.slow
@pytest.mark.parametrize("why", SPOILT)
def test_a_browser_without_a_core_runs_the_reference_and_says_why(in_browser, why):
    machine = Machine.load("demo:marlpit", engine="exact")
    machine.run(cycles=300_000)
    words, without, state = in_browser(NO_CORE.format(spoil=SPOILT[why]))
    assert words.startswith("none (")
    assert why in words
    assert without
    assert state == hashlib.sha256(machine.save_state()).hexdigest()


HIGH = """
import hashlib
import pyodide_js
from simkit import Machine

def play():
    machine = Machine.load("demo:marlpit", engine="core")
    records = hashlib.sha256()
    machine.run(cycles=300_000)
    handle = machine.bus.record(records.update)
    machine.run(cycles=300_000)
    handle.remove()
    return machine.cpu._room._instance.start, [hashlib.sha256(machine.save_state()).hexdigest(), records.hexdigest()]

low = play()
malloc = pyodide_js._module._malloc  # what is taken and not touched costs addresses only
while malloc(256 << 20) % (1 << 32) < 1 << 31:
    pass
while malloc(64 << 10) % (1 << 32) < 1 << 31:
    pass
result = low, play()
"""


@pytest.mark.slow
def test_a_machine_of_a_browser_may_lie_above_2_gib(in_browser):
    (low, state), (high, same) = in_browser(HIGH)
    assert low < 1 << 31 <= high
    assert state == same
