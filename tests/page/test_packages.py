"""What a page brings of Python: all that its host needs, and nothing compiled."""

import io
import json
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from simkit.contract.errors import SimkitError
from simkit.page.packages import python_zip, zipped

ROOT = Path(__file__).parents[2]

PROGRAM = """
import json, sys
from pathlib import Path
sys.path.insert(0, {packages!r})
from simkit.page.host import Host
host = Host(Path({root!r}), {{"machine": {machine!r}}}, Path({own!r}))
host.frame()
for do in ("looks", "state", "inside", "findings", "text", "map"):
    assert "problem" not in json.loads(host.ask(json.dumps({{"do": do}}))), do
host.recording()
print(json.dumps(sorted({{name.split(".")[0] for name in sys.modules}} - sys.stdlib_module_names)))
"""


@pytest.fixture(scope="module")
def packages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("packages")
    zipfile.ZipFile(io.BytesIO(python_zip())).extractall(folder)
    return folder


@pytest.mark.parametrize("demo", ["marlpit", "decoders", "monitor", "lamps-and-buttons", "ports-test", "traps"])
def test_a_machine_runs_with_the_packages_of_the_page_alone(packages, tmp_path, demo):
    """-S: without whatever else is installed here."""
    machine = f"demo/{demo}/machine.toml"
    program = PROGRAM.format(packages=str(packages), root=str(ROOT), machine=machine, own=str(tmp_path / "own.rec"))
    done = subprocess.run([sys.executable, "-S", "-E", "-c", program], capture_output=True, text=True, cwd=tmp_path)
    assert done.returncode == 0, done.stderr[-3000:]
    own = {name for name in json.loads(done.stdout) if not name.startswith("_")}
    assert own <= {"attr", "attrs", "py65", "simkit", "simkit_cards"} | {n for n in own if n.startswith("simkit_card_")}


def test_the_same_packages_give_the_same_zip():
    assert python_zip() == python_zip()
    assert zipped({"b": b"1", "a": b"2"}) == zipped({"a": b"2", "b": b"1"})


def test_a_package_that_is_compiled_is_refused_in_words():
    with pytest.raises(SimkitError, match=r"compiled .*browser"):
        python_zip(["numpy"])


def test_in_a_browsers_python_nothing_is_required_that_is_compiled():
    browser = {"sys_platform": "emscripten", "platform_machine": "wasm32", "python_version": "3.14"}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [Requirement(text) for text in project["dependencies"]]
    there = {one.name for one in wanted if one.marker is None or one.marker.evaluate(browser)}
    assert {"attrs", "py65"} <= there
    assert there.isdisjoint({"numpy", "pygame", "pygame-ce", "greenlet", "wasmtime", "pillow"})
    here = {one.name for one in wanted if one.marker is None or one.marker.evaluate()}
    assert {"numpy", "greenlet", "pillow"} <= here
