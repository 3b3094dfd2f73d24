"""A kit where a machine is asked for: it reads nothing outside of itself, and several may begin with it at once."""

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.kitfile.manifest import Manifest
from simkit.kitfile.reading import kit_of
from simkit.kitfile.unpacking import at_home, kit_around
from simkit.kitfile.writing import described, kit_bytes
from simkit.rom.sources import Sources
from tests.shed import SHED

SECRET = "lda #$60 ; nobody's business"
ROM = bytes([0xEA]) * 0x7FFC + b"\0\x80\0\x80"
MACHINE = SHED + 'image = "roms/rom.bin"\nlabels = "roms/rom.dbg"\n'


def debug_file(name):
    return (
        "version\tmajor=2,minor=0\n"
        f'file\tid=0,name="{name}",size=9\n'
        'seg\tid=0,name="CODE",start=0x8000,size=9,oname="rom.bin",ooffs=0\n'
        "span\tid=0,seg=0,start=0,size=1\nline\tid=0,file=0,line=1,span=0\n"
    ).encode()


def kit_with(contents, machine="machine.toml"):
    files = {name: described("machine" if name == machine else "other", data) for name, data in contents.items()}
    told = Manifest(
        name="Shed", about="", machine=machine, files=files, cards=(), fingerprint={"parts": {}, "models": {}}
    )
    return kit_bytes(told, contents)


def usual(source):
    return {"machine.toml": MACHINE.encode(), "roms/rom.bin": ROM, "roms/rom.dbg": debug_file(source)}


@pytest.fixture
def there(tmp_path, monkeypatch):
    """A place for kits whose cache lies in a project of the user's, with a source that is none of the kit's."""
    project = tmp_path / "project"
    (project / ".git").mkdir(parents=True)
    (project / "main.s").write_text(SECRET)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(project / "cache"))
    monkeypatch.setenv("SIMKIT_SOURCES", str(project))
    return project


def loaded(there, contents):
    path = there / "a.kit"
    path.write_bytes(kit_with(contents))
    return Machine.load(path)


@pytest.mark.parametrize("leads", ["absolute", "upwards", "by its end"])
def test_no_source_outside_of_the_kit_is_read(there, leads):
    """Neither of the project that the cache lies in, nor of the folders that the user names for projects."""
    source = {"absolute": f"{there}/main.s", "upwards": "../../../../../main.s", "by its end": "/home/x/main.s"}[leads]
    machine = loaded(there, usual(source))
    told = f"{machine.disassemble(0x8000, 1)} {machine.notes}"
    assert "nobody" not in told
    named_in = machine.description.path.parent / "roms" / "rom.dbg"
    sources = Sources(named_in, (named_in.parent.parent,))
    assert sources.line(source, 1) == ""
    if leads == "upwards":
        assert "outside of the kit, which reads nothing else" in " ".join(sources.remarks())


def test_sources_that_came_along_are_read(there):
    machine = loaded(there, {**usual("../src/main.s"), "src/main.s": b"nop ; here\n"})
    folder = machine.description.path.parent
    assert kit_around(folder / "roms" / "rom.dbg") == folder
    assert Sources(folder / "roms" / "rom.dbg", (folder,)).line("../src/main.s", 1) == "nop ; here"


def test_what_lies_beside_the_kits_is_in_none(there):
    assert kit_around(there / "main.s") is None
    assert kit_around(there / "cache" / "backplane-simkit" / "kits") is None


@pytest.mark.parametrize("said", ['image = "a\\u0000b"', 'base = "a\\u0000b"', 'labels = ["a\\u0000b"]'])
def test_a_name_that_none_can_have_is_told(there, said):
    text = MACHINE.replace('image = "roms/rom.bin"', said) if "base" not in said else f"{said}\n"
    with pytest.raises(SimkitError):
        loaded(there, {**usual("x"), "machine.toml": text.encode()})


def test_several_that_begin_with_it_at_once_find_it_whole(there):
    """Each looks whether it lies there; none takes away what another has begun to use."""
    kit = kit_of(kit_with(usual("x")), Path("a.kit"))
    together = threading.Barrier(6)

    def begin(number):
        together.wait()
        folder = at_home(kit)
        return all((folder / name).read_bytes() == content for name, content in kit.contents.items())

    with ThreadPoolExecutor(6) as pool:
        assert all(pool.map(begin, range(6)))
