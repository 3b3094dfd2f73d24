"""Where the core comes from: built modules, the library that runs them, and what happens where it cannot be had."""

import gc
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from simkit import Machine
from simkit.cpu.core import compiled, runtime
from simkit.cpu.core.modules import FILES, module_file

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize("part", FILES)
def test_a_module_is_built_from_the_texts_byte_for_byte(part):
    pytest.importorskip("wasmtime", reason="the package wasmtime, which builds them, is not here", exc_type=ImportError)
    from simkit.cpu.core.build import module_bytes

    assert module_bytes(part) == module_file(part).read_bytes()


def run(script, **environment):
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, env={**os.environ, **environment}
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


CYCLES = 60_000
RUN = """
from simkit import Machine
from simkit.cpu.core.runtime import words
m = Machine.load("demo:marlpit", engine="{engine}")
m.run(cycles={cycles})
import hashlib
print(hashlib.sha256(m.save_state()).hexdigest())
print(words())
"""


@pytest.fixture(scope="module")
def expected():
    machine = Machine.load("demo:marlpit", engine="exact")
    machine.run(cycles=CYCLES)
    import hashlib

    return hashlib.sha256(machine.save_state()).hexdigest()


NO_CORE = {
    "no package": "class Blocked:\n    def find_spec(self, name, *_):\n"
    "        if name.split('.')[0] == 'wasmtime': raise ImportError('it is blocked')\n"
    "import sys; sys.meta_path.insert(0, Blocked())\n",
    "foreign library": "import ctypes\ndef refused(*_): raise OSError('wrong ELF class')\nctypes.CDLL = refused\n",
    "unsupported platform": "class Blocked:\n    def find_spec(self, name, *_):\n"
    "        if name.split('.')[0] == 'wasmtime': raise RuntimeError('unsupported architecture')\n"
    "import sys; sys.meta_path.insert(0, Blocked())\n",
    "nothing behind a function": "import ctypes\nreal = ctypes.CDLL\n"
    "class Poor:\n    def __init__(self, name): self.real = real(name)\n"
    "    def __getattr__(self, name):\n"
    "        return (lambda *_: None) if name == 'wasm_engine_new_with_config' else getattr(self.real, name)\n"
    "ctypes.CDLL = Poor\n",
    "no such function": "import ctypes\nreal = ctypes.CDLL\nclass Poor:\n    def __init__(self, name): pass\n"
    "ctypes.CDLL = Poor\n",
    "wrong module": "from simkit.cpu.core import compiled\nreal = compiled.module_file\n"
    "compiled.module_file = lambda part: __import__('pathlib').Path(compiled.__file__)\n",
}


@pytest.mark.parametrize("case", NO_CORE)
def test_without_a_core_the_reference_runs_everything_and_says_why(case, expected):
    digest, words = run(NO_CORE[case] + RUN.format(engine="auto", cycles=CYCLES)).splitlines()
    assert digest == expected
    assert words.startswith("none (")
    assert words.endswith("); the reference engine runs everything")


REFUSED = """
from simkit import Machine, SimkitError
reference = Machine.load("demo:marlpit")
for ask in (lambda: Machine.load("demo:marlpit", engine="core"), lambda: setattr(reference, "engine", "core")):
    try:
        ask()
    except SimkitError as error:
        print(error.message)
        print(error.remedy)
print(reference.engine)
"""


@pytest.mark.parametrize(
    ("case", "why"),
    [("no package", "ImportError: it is blocked"), ("wrong module", "WebAssembly"), ("foreign library", "ELF")],
)
def test_who_asks_for_the_core_where_there_is_none_is_told_why_and_gets_no_other_engine(case, why):
    pytest.importorskip("wasmtime", reason="the package wasmtime is not here", exc_type=ImportError)
    *told, engine = run(NO_CORE[case] + REFUSED).splitlines()
    assert len(told) == 4
    assert told[:2] == told[2:]
    assert told[0].startswith("There is no core here: ")
    assert why in told[0]
    assert told[1] == "Install the package wasmtime, or choose auto: the reference engine runs everything then."
    assert engine == "auto"


def test_where_its_package_brings_a_library_the_core_is_to_be_had():
    pytest.importorskip("wasmtime", reason="the package wasmtime is not here", exc_type=ImportError)
    assert runtime.words().startswith("wasmtime ")


@pytest.mark.usefixtures("core")
def test_a_core_that_does_something_else_in_its_trial_is_not_used(expected, tmp_path):
    """The module of the other part would do; one that counts wrong does not."""
    spoilt = (
        "from simkit.cpu.core import layout, runtime\n"
        "real = runtime._try\n"
        "def counts_wrong(found, part):\n"
        "    runtime.OFFSET = {**layout.OFFSET, 'a': layout.OFFSET['x']}\n"
        "    real(found, part)\n"
        "runtime._try = counts_wrong\n"
    )
    digest, words = run(spoilt + RUN.format(engine="auto", cycles=CYCLES)).splitlines()
    assert digest == expected
    assert "does not do as it should" in words


@pytest.mark.usefixtures("core")
class TestCache:
    """The compiled module in the user's cache folder."""

    def run(self, folder):
        digest, words = run(RUN.format(engine="core", cycles=CYCLES), XDG_CACHE_HOME=str(folder)).splitlines()
        assert words.startswith("wasmtime ")
        return digest

    @pytest.mark.parametrize(
        "damages",
        [
            (lambda whole: whole[:100], lambda whole: whole[:-1] + bytes([whole[-1] ^ 1])),
            pytest.param((lambda whole: b"", lambda whole: bytes(len(whole))), marks=pytest.mark.slow),
        ],
    )
    def test_it_is_made_once_and_a_damaged_one_is_made_anew(self, tmp_path, expected, damages):
        assert self.run(tmp_path) == expected
        (kept,) = (tmp_path / "backplane-simkit").iterdir()
        whole = kept.read_bytes()
        for damage in damages:
            kept.write_bytes(damage(whole))
            assert self.run(tmp_path) == expected
            assert kept.read_bytes() == whole

    def test_a_folder_that_cannot_be_written_costs_only_time(self, tmp_path, expected):
        (tmp_path / "backplane-simkit").write_text("a file stands where the folder should be")
        assert self.run(tmp_path) == expected

    @pytest.mark.needs("users")
    def test_a_folder_that_others_may_write_to_is_not_trusted(self, tmp_path, expected):
        folder = tmp_path / "backplane-simkit"
        folder.mkdir()
        folder.chmod(0o777)
        assert stat.S_IMODE(folder.stat().st_mode) == 0o777
        assert self.run(tmp_path) == expected
        assert list(folder.iterdir()) == []

    def test_the_folder_is_the_users_own(self, monkeypatch, tmp_path):
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
        assert compiled.cache_folder().parent == tmp_path

    @pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="this system has a place of its own for caches")
    @pytest.mark.parametrize("named", ["", "cache", "./cache", "../cache"])
    def test_a_folder_that_is_not_named_from_the_root_is_ignored(self, monkeypatch, tmp_path, named):
        """XDG Base Directory Specification 0.8 (freedesktop.org, 2021), Basics and Environment variables.

        "All paths set in these environment variables must be absolute. If an implementation encounters a relative path
        in any of these variables it should consider the path invalid and ignore it." $HOME/.cache is used then.
        """
        monkeypatch.chdir(tmp_path)
        monkeypatch.setenv("HOME", str(tmp_path / "home"))
        monkeypatch.setenv("XDG_CACHE_HOME", named)
        assert compiled.cache_folder() == tmp_path / "home" / ".cache" / "backplane-simkit"

    def test_without_a_home_folder_the_core_is_compiled_each_time(self, expected):
        nobody = (
            "import pathlib\n"
            "def home(): raise RuntimeError('Could not determine home directory.')\n"
            "pathlib.Path.home = staticmethod(home)\n"
        )
        digest, words = run(nobody + RUN.format(engine="core", cycles=CYCLES), XDG_CACHE_HOME="").splitlines()
        assert digest == expected
        assert words.startswith("wasmtime ")


MANY = """
import resource
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
from simkit import Machine
from simkit.machinefile.read import read_description
d = read_description("demo:marlpit")
for number in range(COUNT):
    m = Machine(d)
    assert m.cpu.arena is not None
    m.run(cycles=2000)
several = [Machine(d) for _ in range(50)]
for m in several:
    m.run(cycles=2000)
assert len({m.save_state() for m in several}) == 1
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM:")))
"""
"""Its last line is the process's own peak in kilobytes.

Not getrusage's: Linux hands the peak of the process that started this one on over execve (fs/exec.c, exec_mmap; seen on
6.x: a process of 9 MB begun by one of 600 MB tells 610).
"""


@pytest.mark.needs("resource", "/proc")
@pytest.mark.usefixtures("core")
@pytest.mark.parametrize("count", [150, pytest.param(500, marks=pytest.mark.slow)])
def test_machines_one_after_another_and_50_at_once_live_in_4_gb_of_addresses(count):
    assert int(run(MANY.replace("COUNT", str(count)))) < 400_000  # kB of memory


DAEMON = """
import threading, time
from simkit import Machine
machines = [Machine.load("demo:marlpit", engine="core") for _ in range({count})]
def go(machine):
    while True:
        machine.run(cycles=50_000_000)
for machine in machines:
    threading.Thread(target=go, args=(machine,), daemon=True).start()
while not all(machine.cycle for machine in machines):
    time.sleep(0.01)
time.sleep({wait})
print("the main program ends")
"""


@pytest.mark.usefixtures("core")
@pytest.mark.parametrize(("count", "wait"), [(1, 0.0), (1, 0.3), (2, 0.1)])
def test_a_process_may_end_while_threads_are_inside_the_core(count, wait):
    assert run(DAEMON.format(count=count, wait=wait)) == "the main program ends\n"


def test_a_view_keeps_its_memory_alive():
    machine = Machine.load("demo:marlpit")
    if machine.cpu.arena is None:
        pytest.skip("there is no core here")
    view = machine.bus.seats[0].plain.read
    view[5] = 0x77
    del machine
    gc.collect()
    assert view[5] == 0x77
