"""A page as files: nothing of the kit is run for it, names in it cannot break it, and only a page is written over."""

import json
import re
from pathlib import Path

import pytest

from simkit import Machine
from simkit.kit.packing import Asked, pack
from simkit.kitfile.reading import kit_of
from simkit.outside.journal import record
from simkit.page import build
from simkit.page.runtime import FILES, Runtime, read_runtime
from simkit.page.written import index_html, is_page

EVIL = "</script><script>alert(1)</script>&\"'<!--"


@pytest.fixture
def no_node(monkeypatch):
    monkeypatch.setattr(build, "compiled", lambda *_: None)


@pytest.fixture
def runtime():
    return Runtime(Path("nowhere"), "314.0.7", "MPL-2.0", dict.fromkeys(FILES, b"runtime"))


CARD = """
from pathlib import Path
import attrs
from simkit.contract import Card, Register

Path(__file__).with_name("ran").touch()


class Lamp(Card):
    kind = "lamp"

    @attrs.frozen
    class Settings:
        pass

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamp", "w"),)
"""


@pytest.fixture
def kit(tmp_path):
    """A kit with a card of its own, which leaves a file wherever it is run."""
    (tmp_path / "lamp.py").write_text(CARD)
    (tmp_path / "a.bin").write_bytes(b"\xea" * 0x7FFC + b"\0\x80\0\x80")
    (tmp_path / "machine.toml").write_text(
        'name = "Shed"\nclock = "1 MHz"\ncpu = "65C02"\n'
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "00xx xxxx xxxx xxxx"\n'
        '[[card]]\nslot = 2\nkind = "rom"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "a.bin"\n'
        '[[card]]\nslot = 3\nkind = "file:lamp.py:Lamp"\nselect = "0111 1111 0000 0000"\n'
    )
    machine = Machine.load(tmp_path)
    with record(machine, tmp_path / "evil.rec") as journal:
        machine.run(cycles=1000)
        journal.chapter(EVIL[:40], EVIL)
    (tmp_path / "notes.md").write_text(f"# {EVIL}\n")
    asked = Asked(recordings=[tmp_path / "evil.rec"], notes=[tmp_path / "notes.md"])
    content = pack(Machine.load(tmp_path), asked).content
    (tmp_path / "ran").unlink()
    return content


def test_nothing_of_a_kit_is_run_to_make_a_page_of_it(kit, runtime, no_node, tmp_path, monkeypatch):
    monkeypatch.setattr(Machine, "load", lambda *_, **__: pytest.fail("a machine is made"))
    files = build.page_files(kit_of(kit, Path("a.kit")), kit, runtime)
    assert "whose Python code runs here: slot 3 file:lamp.py:Lamp" in files["index.html"].decode()
    assert not list(tmp_path.rglob("ran"))
    assert files["machine.kit"] == kit


def test_the_same_kit_gives_the_same_page(kit, runtime, no_node):
    first, second = (build.page_files(kit_of(kit, Path("a.kit")), kit, runtime) for _ in range(2))
    assert first == second


def test_names_and_captions_cannot_break_out_of_where_they_stand(kit, runtime, no_node):
    html = build.page_files(kit_of(kit, Path("a.kit")), kit, runtime)["index.html"].decode()
    assert "<script>alert" not in html
    facts = re.search(r'<script type="application/json" id="facts">(.*?)</script>', html, re.DOTALL)[1]
    (recording,) = json.loads(facts)["recordings"]
    assert recording["chapters"][0]["name"] == EVIL[:40]
    assert "<script>" not in recording["chapters"][0]["caption"]
    made = index_html(
        name=EVIL, about=EVIL, facts={"name": EVIL, "recordings": []}, notes=[], info=[EVIL], has_poster=False
    )
    assert b"<script>alert" not in made


def test_a_page_is_made_anew_over_a_page_alone(tmp_path, kit, runtime, no_node):
    assert not is_page(tmp_path)
    (tmp_path / "index.html").write_text("<html>mine</html>")
    assert not is_page(tmp_path)
    (tmp_path / "index.html").write_bytes(build.page_files(kit_of(kit, Path("a.kit")), kit, runtime)["index.html"])
    assert is_page(tmp_path)


def test_a_folder_that_is_no_runtime_is_told_with_what_is_missing(tmp_path):
    (tmp_path / "pyodide.mjs").touch()
    with pytest.raises(Exception, match=r"pyodide\.asm\.wasm.* are not there") as caught:
        read_runtime(tmp_path, print)
    assert "npm install" in str(caught.value)
    for name in FILES:
        (tmp_path / name).write_text("[]")
    with pytest.raises(Exception, match="does not say its version"):
        read_runtime(tmp_path, print)


def test_sizes_are_those_that_a_browser_gets():
    import gzip

    text = b"all work " * 1000
    assert build.compressed({"a.js": text, "b.zip": text}) == len(gzip.compress(text, 6, mtime=0)) + len(text)
