"""Imports only go down, and the lower layers run on plain Python."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ORDER = ("contract", "cpu", "machine", "tools", "fronts")
CONTRACT = {"decode", "errors", "clock", "findings", "events", "lines", "select", "ports", "card", "bus"}
MACHINE = {
    "machinefile",
    "assembly",
    "boundedfile",
    "settings",
    "machine",
    "png",
    "power_on",
    "description",
    "catalogue",
    "tomlfile",
    "wholefile",
    "images",
    "labels",
    "listing",
    "snapshot",
    "views",
    "shipped",
}
FRONTS = {"window", "page", "pytest_plugin", "commands"}
# Convenience of the public surface: imported inside a function, only when somebody asks for it.
LAZY_UPWARD = {("views", "pictures"), ("machine", "routine")}
COMPILED = {"numpy", "pygame", "greenlet", "rich", "typer", "bincopy"}


def layer(module: str) -> str:
    name = module.split(".")[1] if "." in module else ""
    if name in CONTRACT:
        return "contract"
    if name == "cpu":
        return "cpu"
    if name in MACHINE or name == "":
        return "machine"
    return "fronts" if name in FRONTS else "tools"


def modules():
    for path in sorted((ROOT / "simkit").rglob("*.py")):
        yield ".".join(path.relative_to(ROOT).with_suffix("").parts), path


def imports(path: Path):
    """(imported module, at module level and at run time) of a file."""
    tree = ast.parse(path.read_text())
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    nested = {id(i) for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) for i in ast.walk(n)}
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        for name in names:
            yield name, id(node) not in nested


@pytest.mark.parametrize("module", [m for m, _ in modules() if not m.endswith("__init__")])
def test_imports_only_go_down(module):
    path = ROOT / Path(*module.split(".")).with_suffix(".py")
    own = module.split(".")[1]
    for name, _ in imports(path):
        if not name.startswith("simkit."):
            continue
        target = name.split(".")[1]
        if (own, target) in LAZY_UPWARD:
            continue
        assert ORDER.index(layer(name)) <= ORDER.index(layer(module)), f"{module} imports {name}"


@pytest.mark.parametrize("path", sorted((ROOT / "cards/simkit_cards").glob("*.py")), ids=lambda p: p.stem)
def test_cards_import_the_contract_layer_only(path):
    for name, _ in imports(path):
        top = name.split(".")[0]
        assert top not in COMPILED, f"{path.name} imports {name}"
        if top == "simkit":
            assert layer(name) == "contract", f"{path.name} imports {name}"


@pytest.mark.parametrize("module", [m for m, _ in modules() if layer(m) in ("contract", "cpu", "machine")])
def test_lower_layers_import_no_compiled_package_at_module_level(module):
    path = ROOT / Path(*module.split("."))
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    for name, at_top in imports(path):
        if at_top:
            assert name.split(".")[0] not in COMPILED, f"{module} imports {name}"


def test_pygame_is_imported_by_the_window_alone():
    for module, path in modules():
        if not module.startswith("simkit.window"):
            assert all(name.split(".")[0] != "pygame" for name, _ in imports(path)), module


BLOCKED = """
import sys
class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("numpy", "pygame", "greenlet", "typer", "rich", "bincopy"):
            raise ImportError(name + " is blocked")
sys.meta_path.insert(0, Blocker())
from simkit import Machine
m = Machine.load("demo:marlpit")
m.run(seconds=0.1)
state = m.save()
m.load_state(state)
print(m.cycle, len(m.screen.text()))
"""


def test_a_machine_runs_on_plain_python():
    done = subprocess.run([sys.executable, "-c", BLOCKED], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout.split()[0]) >= 200_000
