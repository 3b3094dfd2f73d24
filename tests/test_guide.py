"""The contributor guide is true: the tree it shows is the tree, its paths exist, its walks name functions there are."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
WALKS = GUIDE.split("## Three walks")[1].split("\n## ")[0]
TREE = GUIDE.split("## Where things are")[1].split("\n## ")[0]
TOPS = ("simkit", "cards", "tests", "roms", "demo")


def defined(path):
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            found.add(node.name)
        elif isinstance(node, ast.ClassDef):
            found |= {f"{node.name}.{inner.name}" for inner in node.body if isinstance(inner, ast.FunctionDef)}
    return found


@pytest.mark.parametrize(
    ("file", "function"), re.findall(r"`((?:simkit|cards)/[\w/]+\.py): ([\w.]+)`", WALKS), ids=lambda text: text
)
def test_each_step_of_a_walk_is_a_function_of_its_file(file, function):
    assert function in defined(ROOT / file)


def test_a_walk_has_at_most_eight_rooms():
    walks = WALKS.split("\n**")[1:]
    assert len(walks) == 3
    for walk in walks:
        assert 3 <= len(set(re.findall(r"`(?:simkit|cards)/[\w/]+\.py: ", walk))) <= 8


@pytest.mark.parametrize("path", sorted(set(re.findall(rf"`((?:{'|'.join(TOPS)})/[\w/.\-]+)`", GUIDE))))
def test_every_path_named_exists(path):
    assert (ROOT / path).exists()


@pytest.mark.parametrize("top", ["simkit", "cards", "tests"])
def test_every_folder_with_modules_stands_in_the_tree(top):
    folders = {path.parent for path in (ROOT / top).rglob("*.py") if "__pycache__" not in path.parts}
    assert [str(f.relative_to(ROOT)) for f in sorted(folders) if f"{f.name}/" not in TREE] == []
