"""No module but those of simkit/files opens a file, and none but one prints: what holds there then holds everywhere."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2] / "simkit"
CARDS = Path(__file__).parents[2] / "cards" / "simkit_cards"

OPENING = {
    "open", "read_text", "read_bytes", "write_text", "write_bytes", "fdopen", "touch", "mkdir", "makedirs", "rmdir",
    "removedirs", "unlink", "remove", "rmtree", "rename", "renames", "symlink_to", "hardlink_to", "symlink", "link",
    "copy", "copy2", "copyfile", "copytree", "move", "mkstemp", "mkdtemp", "mkfifo", "mknod", "truncate", "chmod",
    "NamedTemporaryFile", "TemporaryFile", "TemporaryDirectory", "SpooledTemporaryFile", "ZipFile", "FileIO",
    "savez", "savetxt", "loadtxt", "fromfile", "tofile", "memmap", "genfromtxt", "exec_module", "run_path",
    "spec_from_file_location", "CDLL", "LoadLibrary",
}  # fmt: skip
"""Names of functions and methods that open, make, move or take away a file."""
ONLY_OF = {"copy": ("shutil",), "remove": ("os",), "move": ("shutil",)}
"""Names that are other things elsewhere: of which module they are meant."""
METHODS = {"read_text", "open", "link", "copy", "remove", "move"}
"""Of a path or a module, when they open files; functions of these names are others."""
IO_MODULES = {"tempfile", "shutil", "fileinput", "linecache", "dbm", "shelve", "sqlite3", "wave", "gzip", "bz2", "lzma"}

ALLOWED = {
    ("backplane/blame.py", "linecache"): "the line of a card's own code at which it failed",
    ("capture/archive.py", "ZipFile"): "a session archive: bytes in memory",
    ("capture/archive.py", "open"): "a member of it: bytes in memory",
    ("capture/write.py", "ZipFile"): "a session archive: bytes in memory",
    ("check/watches/watch.py", "touch"): "a cell of memory",
    ("commands/streams.py", "open"): "the null device and the standard streams",
    ("cpu/core/browser.py", "read_bytes"): "a module of the package",
    ("cpu/core/compiled.py", "read_bytes"): "a module of the package",
    ("cpu/core/compiled.py", "read_text"): "what the system says of its processor",
    ("cpu/core/compiled.py", "mkdir"): "the user's own cache folder",
    ("cpu/core/compiled.py", "unlink"): "compiled modules of earlier kits in it",
    ("cpu/core/wasmtime_library.py", "CDLL"): "the library of an installed package",
    ("kitfile/unpacking.py", "mkdir"): "the user's own cache folder",
    ("kitfile/writing.py", "ZipFile"): "a kit: bytes in memory",
    ("machine/snapshot.py", "ZipFile"): "a state: bytes in memory",
    ("machine/snapshot.py", "open"): "an entry of a state: bytes in memory",
    ("machinefile/catalogue.py", "exec_module"): "a file card is a program, and Python runs it; `is_file` looks first",
    ("machinefile/catalogue.py", "spec_from_file_location"): "a file card",
    ("measure/captures.py", "ZipFile"): "a session archive made to be read: bytes in memory",
    ("measure/suspects.py", "tempfile"): "runs that are kept nowhere, for the processes that judge",
    ("measure/suspects.py", "TemporaryDirectory"): "the same",
    ("page/host.py", "touch"): "a finger on the glass",
    ("page/packages.py", "read_text"): "what an installed package says of itself",
    ("page/packages.py", "ZipFile"): "packages for a page: bytes in memory",
    ("page/runtime.py", "shutil"): "where npm and node are",
    ("page/runtime.py", "mkdir"): "the user's own cache folder",
    ("testing/failure.py", "mkdir"): "a folder in pytest's cache",
    ("window/hands.py", "open"): "the bar",
}
"""By module and name: what it is there for."""
PRINTING = {
    "commands/say.py": "the one place",
    "commands/app.py": "the version",
    "commands/streams.py": "an error's message, which is clean by itself",
    "cpu/core/build.py": "a tool for contributors",
    "outside/serial_host.py": "where the line is, in our own words, while the terminal is the line's",
}


def modules():
    return sorted(path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py") if "shipped" not in path.parts)


def test_a_card_opens_no_file_and_prints_nothing():
    for path in CARDS.rglob("*.py"):
        found = {name for name, of, node in calls(path) if is_opening(name, of, node) or name == "print"}
        assert found == set(), path


@cache
def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def calls(module):
    """What a module calls, by the last part of its name, with what stands before it."""
    for node in ast.walk(parsed(ROOT / module)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            of = node.func.value if isinstance(node.func, ast.Attribute) else None
            yield name, of.id if isinstance(of, ast.Name) else None, node


def is_opening(name, of, node):
    if name == "open" and isinstance(node.func, ast.Name):
        return True
    if name in METHODS and isinstance(node.func, ast.Name):
        return False
    return name in OPENING and of in ONLY_OF.get(name, (of,))


def offenders(wrong, *, but_of_files):
    """By module, what it does that is wrong: the names that a function finds, less what is allowed."""
    tried = [module for module in modules() if not (but_of_files and module.startswith("files/"))]
    assert len(tried) > 200
    found = {module: {name for name in wrong(module) if (module, name) not in ALLOWED} for module in tried}
    return {module: names for module, names in found.items() if names}


def test_files_are_opened_by_the_one_reader_and_the_one_writer():
    def opening(module):
        return {name for name, of, node in calls(module) if is_opening(name, of, node)}

    assert offenders(opening, but_of_files=True) == {}


def test_modules_that_open_files_by_themselves_are_not_imported():
    def imported(module):
        nodes = list(ast.walk(parsed(ROOT / module)))
        found = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
        return (found | {node.module for node in nodes if isinstance(node, ast.ImportFrom)}) & IO_MODULES

    assert offenders(imported, but_of_files=True) == {}


def test_text_for_people_is_printed_in_one_place():
    def printing(module):
        for name, of, _ in () if module in PRINTING else calls(module):
            if name in ("print", "echo", "secho") or (name in ("write", "writelines") and of in ("stdout", "stderr")):
                yield name

    assert offenders(printing, but_of_files=False) == {}
