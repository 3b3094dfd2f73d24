"""What texts of the kit tell people to type exists: rules, comments, machine files, sources, guides."""

import ast
import re
from pathlib import Path

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


def test_commands_named_in_backquotes_exist():
    unknown = {str(path.relative_to(ROOT)): named(path) - set(COMMANDS) for path in TEXTS}
    assert {path: names for path, names in unknown.items() if names} == {}


LISTS = (ast.List, ast.Tuple, ast.Set, ast.Dict, ast.ListComp, ast.SetComp, ast.DictComp)
MAKERS = {"sorted", "list", "tuple", "set", "dict", "frozenset"}


def makes_a_list(value):
    if isinstance(value, ast.Call) and isinstance(value.func, ast.Name):
        return value.func.id in MAKERS
    return isinstance(value, LISTS)


def test_no_message_shows_a_list_as_python_writes_it():
    """People write 1, 2, 7; `simkit.contract.errors.numbers` does."""
    found, looked_at = [], 0
    for path in (path for path in TEXTS if path.suffix == ".py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FormattedValue):
                looked_at += 1
                if makes_a_list(node.value):
                    found.append(f"{path.relative_to(ROOT)}: {ast.unparse(node.value)}")
    assert found == []
    assert looked_at > 1_000
