"""`simkit pack`, `unpack`, and a kit where a machine is asked for: what is told, and of which nothing is run."""

import json
from pathlib import Path

import attrs
import pytest

from simkit.kitfile.reading import kit_of
from simkit.kitfile.writing import described, kit_bytes
from tests.shed import SHED

ROM = bytes([0xEA]) * 0x7FFC + b"\0\x80\0\x80"
OWN = """
import attrs
from pathlib import Path
from simkit.contract import Card, Register

Path({ran!r}).touch()


class Lamp(Card):
    kind = "lamp"

    @attrs.frozen
    class Settings:
        pass

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamp", "w"),)
"""
LAMP = '[[card]]\nslot = 3\nkind = "file:lamp.py:Lamp"\nselect = "0111 1111 0000 0000"\n[backplane]\noverlaps = "run"\n'


@pytest.fixture
def shed(tmp_path, monkeypatch):
    """A machine in a folder, and a cache folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = tmp_path / "shed"
    folder.mkdir()
    (folder / "machine.toml").write_text(SHED + 'image = "rom.bin"\n')
    (folder / "rom.bin").write_bytes(ROM)
    return folder


@pytest.fixture
def lamp(shed, simkit, tmp_path):
    """A kit with a card of its own, and the file that is there once the card's code has run."""
    ran = tmp_path / "ran"
    (shed / "lamp.py").write_text(OWN.format(ran=str(ran)))
    (shed / "machine.toml").write_text((shed / "machine.toml").read_text() + LAMP)
    assert simkit("pack", "shed", "--out", "lamp.kit")[0] == 0
    ran.unlink()
    return ran


def changed(path, **changes):
    """A kit with another manifest."""
    kit = kit_of(Path(path).read_bytes(), Path(path))
    Path(path).write_bytes(kit_bytes(attrs.evolve(kit.manifest, **changes), kit.contents))


def test_what_is_packed_is_told_unpacked_and_run(shed, simkit, tmp_path):
    code, out, err = simkit("pack", "shed", "--out", "a.kit", "--fault", "slot 2: D0 stuck low", "--json")
    assert (code, err) == (0, "Note: 1 fault: slot 2: pin D0 low\n")
    told = json.loads(out)
    assert {(one["role"], one["name"]) for one in told["files"]} == {
        ("base", "machine.toml"), ("image", "rom.bin"), ("machine", "as-packed.toml"),
    }  # fmt: skip
    code, out, _ = simkit("unpack", "a.kit")
    assert code == 0
    assert told["identity"] in out
    assert "base" in out
    assert not (tmp_path / "machine.toml").exists()
    code, out, _ = simkit("unpack", "a.kit", "copy")
    assert "Run the machine with: simkit run copy/as-packed.toml" in out
    for machine in ("a.kit", "copy/as-packed.toml"):
        code, out, err = simkit("show", machine, "--at", "100c")
        assert code == 0
        assert "1 fault: slot 2: pin D0 low" in out + err


@pytest.mark.parametrize("place", ["project", "home"])
def test_a_file_in_which_stands_where_it_lay_is_told(shed, simkit, tmp_path, monkeypatch, place):
    """As in the debug files of some linkers, which nobody reads before passing them on."""
    home = tmp_path / "home" / "gwendolyn"
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    said = {"project": shed, "home": home}[place]
    (shed / "rom.labels").write_text(f"{said}/src/main.s:4:1: start = $8000\n")
    text = (shed / "machine.toml").read_text()
    (shed / "machine.toml").write_text(f'{text}labels = "rom.labels"\n')
    assert "where your files lie on this computer can be read in rom" in simkit("pack", "shed", "--out", "a.kit")[2]
    (shed / "rom.labels").write_text("src/main.s:4:1: start = $8000\n")
    assert simkit("pack", "shed", "--out", "a.kit")[2] == "Overwrites a.kit\n"


def test_a_kit_with_code_of_its_own_says_so_and_runs_nothing_of_it(lamp, simkit):
    """Neither where a machine is asked for nor when it is looked at or unpacked."""
    for words in (
        ("run", "lamp.kit", "--headless", "--for", "10c"),
        ("check", "lamp.kit"),
        ("burn", "lamp.kit", "--slot", "2"),
    ):
        code, out, err = simkit(*words)
        assert (code, out) == (2, "")
        assert "nothing of a kit is run from it" in err
        assert "simkit unpack" in err
    assert "brings Python code of its own: file:lamp.py:Lamp" in simkit("unpack", "lamp.kit")[1]
    assert "brings Python code of its own: file:lamp.py:Lamp" in simkit("unpack", "lamp.kit", "copy")[1]
    assert not lamp.exists()
    assert simkit("run", "copy", "--headless", "--for", "10c")[0] == 0
    assert lamp.exists()


def test_code_is_told_whatever_the_manifest_says_of_it(lamp, simkit):
    kit = kit_of(Path("lamp.kit").read_bytes(), Path("lamp.kit"))
    quiet = {name: attrs.evolve(file, role="other" if file.role == "card" else file.role)
             for name, file in kit.manifest.files.items()}  # fmt: skip
    changed("lamp.kit", cards=(), files=quiet)
    assert "brings Python code of its own: file:lamp.py:Lamp" in simkit("unpack", "lamp.kit")[1]
    assert json.loads(simkit("unpack", "lamp.kit", "copy", "--json")[1])["own_cards"] == ["file:lamp.py:Lamp"]
    code, _, err = simkit("run", "lamp.kit", "--headless", "--for", "10c")
    assert (code, "brings cards of its own" in err) == (2, True)
    assert not lamp.exists()


def test_a_kit_that_names_what_lies_outside_is_not_unpacked(shed, simkit, tmp_path):
    (tmp_path / "private.bin").write_bytes(ROM)
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    text = kit.contents["machine.toml"].replace(b'"rom.bin"', b'"../private.bin"')
    contents = {**kit.contents, "machine.toml": text}
    files = {**kit.manifest.files, "machine.toml": described("machine", text)}
    Path("a.kit").write_bytes(kit_bytes(attrs.evolve(kit.manifest, files=files), contents))
    code, out, err = simkit("unpack", "a.kit", "copy")
    assert (code, out) == (2, "")
    assert "names a file outside of it" in err
    assert not (tmp_path / "copy").exists()


def test_a_kit_that_nobody_can_load_is_unpacked_all_the_same(shed, simkit, tmp_path):
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    contents = {**kit.contents, "machine.toml": b"name = \n"}
    files = {**kit.manifest.files, "machine.toml": described("machine", b"name = \n")}
    Path("a.kit").write_bytes(kit_bytes(attrs.evolve(kit.manifest, files=files), contents))
    assert simkit("unpack", "a.kit", "copy")[0] == 0
    assert (tmp_path / "copy" / "machine.toml").read_bytes() == b"name = \n"


def test_cards_of_another_version_or_model_are_told(shed, simkit):
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    first, second = kit.manifest.cards
    changed("a.kit", cards=(attrs.evolve(first, version="0.0.1"), attrs.evolve(second, model=second.model + 1)))
    for words in (("unpack", "a.kit"), ("run", "a.kit", "--headless", "--for", "10c")):
        code, out, err = simkit(*words)
        assert code == 0
        assert "packed with backplane-simkit 0.0.1" in out + err
        assert f"Slot 2: rom was model {second.model + 1} of the card when the kit was packed" in out + err


def test_a_package_that_is_not_here_is_told_when_a_kit_is_unpacked(shed, simkit):
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    changed("a.kit", cards=(attrs.evolve(kit.manifest.cards[0], package="somebodys-cards", version="1.2"),))
    code, out, _ = simkit("unpack", "a.kit", "copy")
    assert (code, "pip install somebodys-cards==1.2" in out) == (0, True)


def test_a_kind_that_is_no_text_is_told(shed, simkit):
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    text = kit.contents["machine.toml"].replace(b'kind = "rom"', b"kind = 5")
    files = {**kit.manifest.files, "machine.toml": described("machine", text)}
    manifest = attrs.evolve(kit.manifest, files=files)
    Path("a.kit").write_bytes(kit_bytes(manifest, {**kit.contents, "machine.toml": text}))
    assert simkit("unpack", "a.kit")[0] == 0
    code, _, err = simkit("show", "a.kit", "--at", "10c")
    assert (code, "slot 2" in err) == (2, True)


def test_a_kind_that_the_manifest_takes_from_a_file_is_not_run_for_a_note(shed, simkit, tmp_path):
    ran = tmp_path / "ran"
    (tmp_path / "lamp.py").write_text(OWN.format(ran=str(ran)))
    assert simkit("pack", "shed", "--out", "a.kit")[0] == 0
    kit = kit_of(Path("a.kit").read_bytes(), Path("a.kit"))
    changed("a.kit", cards=(attrs.evolve(kit.manifest.cards[0], kind=f"file:{tmp_path}/lamp.py:Lamp"),))
    assert simkit("unpack", "a.kit")[0] == 0
    assert not ran.exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("pack", "shed"), "Write e.g. --out my-machine.kit"),
        (("pack", "shed", "--out", "a.zip"), "kits end in .kit"),
        (("pack", "shed", "--out", "none/a.kit"), "there is no folder none"),
        (("pack", "shed", "--out", "a.kit", "--wire", "slot 2: D0 open"), "--wire is not kept in a kit"),
        (("unpack", "none.kit"), "There is no kit none.kit"),
        (("unpack", "shed"), "is a folder"),
        (("unpack", "shed/rom.bin"), "The file is no kit"),
        (("run", "empty.kit", "--headless"), "The file is no kit"),
    ],
)
def test_what_is_wrong_is_told_with_what_to_do(shed, simkit, tmp_path, words, told):
    (tmp_path / "empty.kit").touch()
    code, out, err = simkit(*words)
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.splitlines()) <= 3
