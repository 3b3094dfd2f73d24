"""Folders are the layers: imports only go down, and what must load on plain Python does."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ORDER = (
    "contract",
    "files",
    "looks",
    "backplane",
    "logic",
    "logic/fuses",
    "logic/wired",
    "cpu/isa",
    "cpu/reference",
    "cpu/core",
    "kitfile",
    "rom",
    "machinefile",
    "timing",
    "machine",
    "budget",
    "schematic",
    "address_map",
    "records",
    "inspect",
    "film",
    "outside",
    "burn",
    "testrom",
    "check/rules",
    "check/result",
    "check/image",
    "check/watches",
    "check/leaving",
    "check",
    "luck",
    "hands",
    "kit",
    "capture",
    "compare",
    "suspect",
    "testing",
    "testing/contract",
    "spent",
    "measure",
    "",
    "page",
    "window",
    "commands",
)
"""Folders of simkit from the ground up; "" is simkit itself. A folder imports from itself and from those before it."""

PLAIN = (
    "contract",
    "files",
    "backplane",
    "logic",
    "cpu",
    "kitfile",
    "rom",
    "machinefile",
    "timing",
    "machine",
    "schematic",
    "address_map",
)
"""Folders that load on plain Python, and with them the cards."""

COMPILED = ("numpy", "pygame", "greenlet", "wasmtime", "typer", "rich", "bincopy")


def folder(module: str) -> str:
    """Folder of a module or package of the kit, as in ORDER; `python -m simkit` is a command."""
    if module == "simkit.__main__":
        return "commands"
    parts = module.split(".")[1:]
    while parts and not (ROOT / "simkit" / "/".join(parts)).is_dir():
        parts.pop()
    return "/".join(parts)


def modules():
    for path in sorted((ROOT / "simkit").rglob("*.py")):
        yield ".".join(path.relative_to(ROOT).with_suffix("").parts), path


def imports(path: Path):
    """Everything that a file imports, also in a function and for types alone, as dotted names."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_every_folder_has_its_place_in_the_order():
    assert {folder(module) for module, _ in modules()} | {"cpu"} == set(ORDER) | {"cpu"}


def test_imports_only_go_down():
    upwards, tried = [], 0
    for module, path in modules():
        if module == "simkit.__init__":
            continue
        here = ORDER.index(folder(module)) if folder(module) in ORDER else 0
        for name in imports(path):
            if name.split(".")[0] == "simkit":
                tried += 1
                upwards += [f"{module} imports {name}"] * (ORDER.index(folder(name)) > here)
    assert upwards == []
    assert tried > 500


def test_few_modules_lie_beside_the_folders():
    assert len(list((ROOT / "simkit").glob("*.py"))) <= 6


@pytest.mark.parametrize(
    "path",
    sorted((ROOT / "cards/simkit_cards").rglob("*.py"))
    + sorted(path for path in (ROOT / "demo").rglob("*.py") if path.parent.name != "pages"),
    ids=lambda path: f"{path.parent.name}-{path.stem}",
)
def test_cards_import_the_contract_alone(path):
    for name in imports(path):
        top, *rest = name.split(".")
        assert top not in COMPILED, f"{path.name} imports {name}"
        if top == "simkit":
            assert (rest[0], len(rest)) == ("contract", 2), f"{path.name} imports {name}"


def test_pygame_is_imported_by_the_window_alone():
    for module, path in modules():
        if folder(module) != "window":
            assert all(name.split(".")[0] != "pygame" for name in imports(path)), module


BLOCKED = f"""
import importlib, pkgutil, sys
class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {COMPILED!r}:
            raise ImportError(name + " is blocked")
sys.meta_path.insert(0, Blocker())
import simkit, simkit_cards
names = [name for _, name, _ in pkgutil.walk_packages(simkit_cards.__path__, "simkit_cards.")]
for folder in {PLAIN!r}:
    package = importlib.import_module("simkit." + folder)
    names += [name for _, name, _ in pkgutil.walk_packages(package.__path__, package.__name__ + ".")]
for name in names:
    importlib.import_module(name)
from simkit import Machine
m = Machine.load("demo:marlpit")
m.run(seconds=0.5)
state = m.save_state()
m.load_state(state)
print(m.cycle, len(m.screen.text()), len(names))
"""


def test_lower_layers_and_cards_load_and_a_machine_runs_on_plain_python():
    done = subprocess.run([sys.executable, "-c", BLOCKED], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    cycle, text, count = map(int, done.stdout.split())
    assert cycle >= 1_000_000
    assert text > 0
    assert count > 80


def test_the_public_names_are_what_their_homes_define():
    import simkit

    for name in simkit.__all__:
        assert getattr(simkit, name).__name__ == name
    assert set(simkit.__all__) == {name for names in simkit._HOMES.values() for name in names}
    with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
        _ = simkit.Nothing
