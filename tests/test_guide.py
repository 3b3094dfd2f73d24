"""The contributor guide is true: the tree it shows is the tree, what it names is there, what it shows works."""

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from textwrap import indent

import pytest

from simkit.kitfile import manifest
from simkit.machine import snapshot
from simkit.outside import recording
from simkit.testing import coverage

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOPS = ("simkit", "cards", "tests", "roms", "demo")


def chapter(title):
    return GUIDE.split(f"\n## {title}\n")[1].split("\n## ")[0]


WALKS, TREE, FILES = chapter("Three walks"), chapter("Where things are"), chapter("Files the kit writes")


def blocks(title, language):
    return re.findall(rf"```{language}\n(.*?)```", chapter(title), re.DOTALL)


def names(body, before=""):
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield before + node.name
        if isinstance(node, ast.ClassDef):
            yield from names(node.body, f"{node.name}.")
        elif isinstance(node, ast.Assign):
            yield from (before + target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield before + node.target.id


def defined(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {*names(tree.body), *(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))}


@pytest.mark.parametrize(
    ("file", "name"),
    sorted(set(re.findall(r"`((?:simkit|cards)/[\w/]+\.py): ([\w.]+)`", GUIDE))),
    ids=lambda text: text,
)
def test_what_the_guide_finds_in_a_file_is_there(file, name):
    assert name in defined(ROOT / file)


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


def test_the_contents_name_each_chapter_in_order():
    linked = re.findall(r"\[([^]]+)\]\(#([\w-]+)\)", GUIDE.split("\n## ")[0])
    titles = re.findall(r"^## (.+)$", GUIDE, re.MULTILINE)
    assert [words for words, _ in linked] == [
        title if title == "ROMs" else title[0].lower() + title[1:] for title in titles
    ]
    assert [anchor for _, anchor in linked] == [title.lower().replace(" ", "-") for title in titles]


def test_the_example_of_a_rule_works_in_a_copy_of_the_tree(tmp_path):
    """Text, watch, hooks and pair are put where the guide says; then the tests of rules are run, and `explain`."""
    for folder in ("simkit", "cards", "demo", "roms", "tests/check"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    text, watch = blocks("Add a rule to the check", "python")
    (hooks,), (pair,) = (blocks("Add a rule to the check", language) for language in ("diff", "toml"))
    rules = tmp_path / "simkit/check/rules/program_rules.py"
    rules.write_text(rules.read_text().rstrip().removesuffix(")") + indent(text.rstrip(), "    ") + ",\n)\n")
    (tmp_path / "simkit/check/watches/stops.py").write_text(watch)
    for part in hooks.split("+++ ")[1:]:
        name, _, hunk = part.partition("\n")
        hooked = tmp_path / name
        lines, at = hooked.read_text().splitlines(), 0
        for line in hunk.splitlines():
            if line.startswith("+"):
                at += 1
                lines.insert(at, line[1:])
            else:
                assert lines.count(line[1:]) == 1, f"once in {name}: {line[1:]!r}"
                at = lines.index(line[1:])
        hooked.write_text("\n".join(lines) + "\n")
    with (tmp_path / "tests/check/pairs.toml").open("a") as pairs:
        pairs.write(f"\n{pair}")
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{tmp_path / 'cards'}"}
    asked = [
        "tests/check/test_catalogue.py",
        "tests/check/test_rules.py",
        "-k",
        "cpu-stopped or reported or unknown",
    ]
    tests = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", *asked]
    done = subprocess.run(tests, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert re.search(r"\b5 passed", done.stdout)
    explain = [sys.executable, "-c", "from simkit.commands.main import main; main()", "explain", "cpu-stopped"]
    told = subprocess.run(explain, cwd=tmp_path, env=environment, capture_output=True, text=True, check=True)
    assert told.stdout.startswith("cpu-stopped (warning): the program stops the CPU until RESET")


def test_each_module_of_window_and_hands_has_its_line():
    folders = ROOT / "simkit/window", ROOT / "simkit/hands"
    modules = {path.name for folder in folders for path in folder.glob("*.py")} - {"__init__.py"}
    assert set(re.findall(r"^\| `(\w+\.py)` \|", chapter("The window"), re.MULTILINE)) == modules


def test_the_window_is_drawn_on_the_dummy_driver_as_shown(tmp_path):
    (program,) = blocks("The window", "python")
    environment = {**os.environ, "SDL_AUDIODRIVER": "dummy"}
    subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, env=environment, check=True, stdout=subprocess.DEVNULL
    )
    assert (tmp_path / "window.png").read_bytes().startswith(b"\x89PNG")


def test_formats_and_versions_of_files_are_those_that_are_written():
    rows = {
        name: int(version) for name, version in re.findall(r"^\| [\w ]+ \| `([\w-]+)` \| (\d+) \|", FILES, re.MULTILINE)
    }
    counts = re.search(r'"version": (\d+)', coverage.Counts("").to_json())
    assert rows == {
        recording.FORMAT: recording.VERSION,
        snapshot.FORMAT: snapshot.VERSION,
        coverage.FORMAT: int(counts[1]),
        manifest.FORMAT: manifest.VERSION,
    }


def test_the_glossary_is_in_order():
    words = re.findall(r"^\| ([^|]+?) \|", chapter("Glossary"), re.MULTILINE)[1:]
    assert words == sorted(words)
    assert len(words) > 20


def test_each_module_and_script_of_the_page_has_its_line():
    text = chapter("The live page")
    page = ROOT / "simkit/page"
    found = [*page.glob("*.py"), *(page / "static").glob("*.js"), *page.glob("*.mjs")]
    missing = [path.name for path in found if path.name != "__init__.py" and f"`{path.name}`" not in text]
    assert missing == []
    assert len(found) > 15
