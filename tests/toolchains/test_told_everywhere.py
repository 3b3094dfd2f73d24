"""A label list that cannot be read stops nothing, and every report says so, with what to do."""

import json
import os
import subprocess
import sys

import pytest

from simkit.commands.main import main
from simkit.commands.new import write_machine

SPOILT = {
    "a line": (lambda good: good.rstrip() + b"\nnext", "hello.labels:{last}: One line of this label list"),
    "no text": (lambda good: b"\xff\xfe" * 100, "Save it as UTF-8"),
    "an image": (lambda good: bytes(range(256)), "Name the label list that the assembler writes"),
    "an ELF file cut off": (lambda good: b"\x7fELF", "ELF file"),
    "a listing of ca65": (lambda good: b"ca65 V2.18 - Debian 2.19-1\n", "--dbgfile"),
}
COMMANDS = [
    "run . --headless --for 1c",
    "run . --headless --for 1c --json",
    "check . --for 1c",
    "check . --for 1c --json",
    "coverage . --for 1c",
]


@pytest.fixture
def hello(tmp_path, monkeypatch):
    folder = write_machine(tmp_path / "hello")[0]
    monkeypatch.chdir(folder)
    return folder


@pytest.mark.parametrize(
    ("line", "kind"), [(COMMANDS[0], kind) for kind in SPOILT] + [(line, "a line") for line in COMMANDS[1:]]
)
def test_in_what_commands_tell(line, kind, hello, capsys):
    spoil, words = SPOILT[kind]
    path = hello / "hello.labels"
    path.write_bytes(spoil(path.read_bytes()))
    with pytest.raises(SystemExit) as ended:
        main(line.split())
    assert ended.value.code in (0, 1)
    out, told_besides = capsys.readouterr()
    last = len(path.read_bytes().splitlines())
    assert words.format(last=last) in out.replace('\\"', '"') + told_besides
    assert max(told.count("hello.labels: ") for told in (out, told_besides)) <= 1, "once"
    if "--json" in line and kind == "a line":
        found = json.loads(out)
        assert any("could not be read" in note for note in found.get("notes", found.get("remarks")))


def test_in_the_report_of_a_test_that_fails(hello):
    path = hello / "hello.labels"
    path.write_bytes(path.read_bytes().rstrip() + b"\nnext")
    (hello / "test_it.py").write_text(
        "import pytest\npytestmark = pytest.mark.machine('.')\ndef test_it(machine):\n    assert 0\n"
    )
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_it.py"]
    failed = subprocess.run(words, cwd=hello, capture_output=True, text=True, env=dict(os.environ))
    assert failed.returncode == 1
    assert "One line of this label list could not be read" in failed.stdout
