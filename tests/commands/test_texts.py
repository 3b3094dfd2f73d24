"""What texts of the kit tell people to type exists: rules, comments, machine files, sources, guides."""

import ast
import re
from pathlib import Path

import pytest

from simkit.commands.app import COMMANDS

ROOT = Path(__file__).resolve().parents[2]
WRITTEN = re.compile(r"`simkit ([a-z]\w*)")
ENDINGS = {".py", ".md", ".toml", ".asm", ".inc", ".lst"}
FOLDERS = [path for folder in ("simkit", "cards", "roms", "demo") for path in sorted((ROOT / folder).rglob("*"))]
TEXTS = [path for path in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *FOLDERS] if path.suffix in ENDINGS]


def named(path):
    return set(WRITTEN.findall(path.read_text(encoding="utf-8")))


def test_texts_name_commands_at_all():
    assert len([path for path in TEXTS if named(path)]) > 15


@pytest.mark.parametrize("path", [path for path in TEXTS if named(path)], ids=lambda path: str(path.relative_to(ROOT)))
def test_commands_named_in_backquotes_exist(path):
    assert named(path) <= set(COMMANDS)


LISTS = (ast.List, ast.Tuple, ast.Set, ast.Dict, ast.ListComp, ast.SetComp, ast.DictComp)
MAKERS = {"sorted", "list", "tuple", "set", "dict", "frozenset"}


@pytest.mark.parametrize(
    "path", [path for path in TEXTS if path.suffix == ".py"], ids=lambda path: str(path.relative_to(ROOT))
)
def test_no_message_shows_a_list_as_python_writes_it(path):
    """People write 1, 2, 7; `simkit.contract.errors.numbers` does."""
    shown = [node.value for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FormattedValue)]
    calls = [value for value in shown if isinstance(value, ast.Call) and isinstance(value.func, ast.Name)]
    assert not [ast.unparse(value) for value in shown if isinstance(value, LISTS)]
    assert not [ast.unparse(value) for value in calls if value.func.id in MAKERS]
