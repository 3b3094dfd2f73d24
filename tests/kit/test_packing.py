"""Packing: which files go in, from where, under which names; what comes out is the same machine everywhere."""

import shutil
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.kit.changes import Changes
from simkit.kit.packing import Asked, pack
from simkit.kit.taken import project_of
from simkit.kitfile.reading import kit_of
from simkit.outside.journal import record

ROOT = Path(__file__).parents[2]
CARD = """
from simkit.contract import Card, Register
import attrs


class Lamp(Card):
    kind = "lamp"

    @attrs.frozen
    class Settings:
        pass

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamp", "w"),)
"""
MACHINE = """
name = "Shed"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "IMAGE"
"""


@pytest.fixture
def shed(tmp_path):
    """A machine in a project with its image in a folder beside it."""
    project = tmp_path / "project"
    (project / "machines" / "shed").mkdir(parents=True)
    (project / "roms").mkdir()
    (project / "pyproject.toml").touch()
    (project / "roms" / "shed.bin").write_bytes(bytes([0xEA]) * 0x7FFC + b"\0\x80\0\x80")
    (project / "roms" / "shed.asm").write_text("nop\n")
    write(project / "machines" / "shed", "../../roms/shed.bin")
    return project / "machines" / "shed"


def write(folder, image, more=""):
    (folder / "machine.toml").write_text(MACHINE.replace("IMAGE", str(image)) + more)


def packed(folder, **asked):
    return pack(Machine.load(folder), Asked(**asked))


def roles(found):
    return {name: file.role for name, file in found.manifest.files.items()}


def loaded(found, tmp_path, monkeypatch):
    """The machine as `simkit run FILE.kit` loads it, from a foreign folder."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = tmp_path / "there" / "a.kit"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(found.content)
    return Machine.load(path)


def test_a_machine_goes_in_with_all_that_it_names_and_runs_elsewhere(shed, tmp_path, monkeypatch):
    machine = Machine.load(shed)
    found = packed(shed)
    assert roles(found) == {"machines/shed/machine.toml": "machine", "roms/shed.bin": "image"}
    shutil.rmtree(shed.parent.parent)
    there = loaded(found, tmp_path, monkeypatch)
    assert there.identity == machine.identity
    assert there.fingerprint == machine.fingerprint
    machine.run(cycles=1000)
    there.run(cycles=1000)
    assert there.state_hashes() == machine.state_hashes()


def test_a_table_of_parts_goes_along(shed, tmp_path, monkeypatch):
    (shed / "own.toml").write_text(
        '[[part]]\nname = "QUICK"\nkind = "memory"\nfits = ["rom"]\nsource = "memory"\n'
        "[part.figures]\naddress = { worst = 9 }\n"
    )
    write(shed, "../../roms/shed.bin", 'part = "QUICK"\n')
    machine_file = shed / "machine.toml"
    machine_file.write_text('parts = "own.toml"\n' + machine_file.read_text())
    found = packed(shed)
    assert roles(found)["machines/shed/own.toml"] == "parts"
    there = loaded(found, tmp_path, monkeypatch)
    assert [part.name for part in there.description.cards[1].part.parts] == ["QUICK"]


def test_the_same_machine_gives_the_same_bytes_wherever_it_lies(shed, tmp_path):
    first = packed(shed, sources=True)
    shutil.copytree(shed.parent.parent, tmp_path / "elsewhere" / "deeper")
    second = packed(tmp_path / "elsewhere" / "deeper" / "machines" / "shed", sources=True)
    assert first.content == second.content
    assert str(tmp_path).encode() not in first.content
    assert roles(first)["roms/shed.asm"] == "source"


@pytest.mark.parametrize(
    "demo", ["marlpit", "monitor", "catalogue", "bench", "decoders", "wrong-wiring/pad-ports-swapped"]
)
def test_the_demos_are_packed_with_their_bases(demo, tmp_path, monkeypatch):
    machine = Machine.load(f"demo:{demo}")
    found = pack(machine, Asked(sources=True, poster=b"picture"))
    assert loaded(found, tmp_path, monkeypatch).fingerprint == machine.fingerprint
    kit = kit_of(found.content, Path("a.kit"))
    assert kit.manifest.poster in kit.contents
    for name, path in found.origin.items():
        assert kit.contents[name] == read_bounded(path, 1 << 30, "file")


def test_a_file_from_outside_of_the_project_needs_a_word(shed, tmp_path, monkeypatch):
    private = tmp_path / "private"
    private.mkdir()
    image = private / "own.bin"
    image.write_bytes(bytes(0x8000))
    write(shed, "../../../private/own.bin")
    with pytest.raises(SimkitError, match="outside of the machine's project") as caught:
        packed(shed)
    assert "Add --include" in str(caught.value)
    assert "own.bin" in str(caught.value)
    found = packed(shed, include=[image])
    assert set(roles(found)) == {"project/machines/shed/machine.toml", "private/own.bin"}
    assert loaded(found, tmp_path, monkeypatch).memory(0x8000, 4) == bytes(4)


def test_a_kit_does_not_say_where_on_this_computer_its_files_lay(shed, tmp_path, monkeypatch):
    """Not even where a file of another folder is a part of it, so that their common folder lies far above."""
    deep = tmp_path / "home" / "gwendolyn" / "work"
    deep.parent.mkdir(parents=True)
    (tmp_path / "project").rename(deep)
    shed = deep / "machines" / "shed"
    named = {}
    for name in ("own.bin", "notes.md", "evening.rec", "more/x.txt", "more/.secret", "more/__pycache__/x.pyc"):
        named[name] = tmp_path / "mallory" / name
        named[name].parent.mkdir(parents=True, exist_ok=True)
        named[name].write_bytes(bytes(0x8000))
    write(shed, "../../../../../mallory/own.bin")
    machine = Machine.load(shed, labels=[])
    with record(machine, tmp_path / "evening.rec"):
        machine.run(cycles=100)
    found = packed(
        shed,
        include=[named["own.bin"], named["more/x.txt"].parent],
        notes=[named["notes.md"]],
        recordings=[tmp_path / "evening.rec"],
    )
    assert {name for name, role in roles(found).items() if role != "state"} == {
        "above/above/project/machines/shed/machine.toml",
        "mallory/own.bin",  # as the machine file says
        "included/more/x.txt",
        "notes/notes.md",
        "recordings/evening.rec",
    }
    assert b"gwendolyn" not in found.manifest.content()
    assert loaded(found, tmp_path, monkeypatch).fingerprint == machine.fingerprint


def test_files_in_a_part_of_the_project_have_short_names(shed):
    (shed / "own.bin").write_bytes(bytes(0x8000))
    write(shed, "own.bin")
    assert set(roles(packed(shed))) == {"machine.toml", "own.bin"}


def test_a_file_and_a_folder_of_one_name_are_told(shed, tmp_path):
    (shed / "notes").write_bytes(bytes(0x8000))
    (tmp_path / "story.md").write_text("# Shed\n")
    write(shed, "notes")
    with pytest.raises(SimkitError, match="are one name for some systems"):
        packed(shed, notes=[tmp_path / "story.md"])


def test_files_on_several_drives_are_told(shed, monkeypatch):
    def apart(paths):
        raise ValueError("Paths don't have the same drive")

    monkeypatch.setattr("os.path.commonpath", apart)
    with pytest.raises(SimkitError, match="several drives"):
        packed(shed)


def test_a_kit_is_packed_again_with_a_fault(shed, tmp_path, monkeypatch):
    loaded(packed(shed), tmp_path, monkeypatch)
    path = tmp_path / "there" / "a.kit"
    faults = ["slot 2: D3 stuck low"]
    machine = Machine.load(path, faults=faults)
    again = pack(machine, Asked(changes=Changes(faults=faults)))
    assert roles(again)["machines/shed/as-packed.toml"] == "machine"
    assert loaded(again, tmp_path, monkeypatch).fingerprint == machine.fingerprint


def test_a_folder_with_far_too_many_files_is_told(shed, tmp_path, monkeypatch):
    monkeypatch.setattr("simkit.kit.taken.MOST_INCLUDED", 3)
    for number in range(5):
        (shed / f"{number}.txt").touch()
    with pytest.raises(SimkitError, match="more than 3 files"):
        packed(shed, include=[shed])


def test_a_link_counts_as_what_it_leads_to(shed, tmp_path):
    outside = tmp_path / "secret.bin"
    outside.write_bytes(bytes(0x8000))
    image = shed.parent.parent / "roms" / "shed.bin"
    image.unlink()
    image.symlink_to(outside)
    with pytest.raises(SimkitError, match="outside of the machine's project"):
        packed(shed)


@pytest.mark.parametrize("said", ["image", "base", "labels", "kind"])
def test_a_whole_path_in_a_machine_file_is_refused_with_what_to_write(shed, said):
    roms, line = shed.parent.parent / "roms", 1
    if said == "base":
        write(shed, "../../roms/shed.bin")
        (shed / "base.toml").write_text((shed / "machine.toml").read_text())
        (shed / "machine.toml").write_text(f'base = "{shed}/base.toml"\n')
        better = "base.toml"
    elif said == "kind":
        (shed / "lamp.py").write_text(CARD)
        more = f'[[card]]\nslot = 3\nkind = "file:{shed}/lamp.py:Lamp"\nselect = "0111 1111 0000 0000"\n'
        write(shed, "../../roms/shed.bin", f'{more}[backplane]\noverlaps = "run"\n')
        better, line = "lamp.py", 16
    else:
        (roms / "shed.labels").write_text("here = $8000\n")
        more = f'labels = ["{roms}/shed.labels"]\n' if said == "labels" else ""
        write(shed, "../../roms/shed.bin" if more else roms / "shed.bin", more)
        better, line = ("../../roms/shed.labels", 14) if more else ("../../roms/shed.bin", 13)
    with pytest.raises(SimkitError, match="is a whole path") as caught:
        packed(shed)
    assert f'Write "{better}"' in str(caught.value)
    assert caught.value.line == line


def test_a_path_with_backslashes_is_refused_with_what_to_write(shed):
    """On Windows it would be found, and nowhere else."""
    (shed / "a\\b.bin").write_bytes(bytes(0x8000))
    write(shed, "a\\\\b.bin")
    with pytest.raises(SimkitError, match="is read on Windows alone") as caught:
        packed(shed)
    assert 'Write "a/b.bin"' in str(caught.value)


def test_what_is_missing_is_told(shed, tmp_path):
    for asked in ({"notes": [tmp_path / "none.md"]}, {"licence": tmp_path / "none"}, {"include": [tmp_path / "none"]}):
        with pytest.raises(SimkitError, match=r"There is no|nothing is there"):
            packed(shed, **asked)
    broken = tmp_path / "broken.rec"
    broken.write_text("{}\n")
    with pytest.raises(SimkitError, match="no recording"):
        packed(shed, recordings=[broken])


def test_what_somebody_names_goes_along_from_anywhere(shed, tmp_path):
    notes, licence, tape = tmp_path / "n" / "notes.md", tmp_path / "LICENCE", tmp_path / "evening.rec"
    notes.parent.mkdir()
    notes.write_text("# Shed\n")
    licence.write_text("For everybody.\n")
    machine = Machine.load(shed)
    with record(machine, tape):
        machine.run(cycles=1000)
    manifest = packed(shed, notes=[notes], licence=licence, recordings=[tape]).manifest
    assert (manifest.notes, manifest.licence) == (("notes/notes.md",), "LICENCE")
    assert [(one.file, one.title) for one in manifest.recordings] == [("recordings/evening.rec", "evening")]


def test_what_was_given_besides_the_file_is_in_the_kit(shed, tmp_path, monkeypatch):
    image = tmp_path / "given.bin"
    image.write_bytes(bytes([0x18]) * 0x8000)
    labels = tmp_path / "given.labels"
    labels.write_text("here = $8000\n")
    given = {"seed": 7, "clock": "2 MHz", "faults": ["slot 2: D3 stuck low"], "images": {2: image}}
    machine = Machine.load(shed, settings={1: {"size": 8192}}, labels=[labels], **given)
    changes = Changes(settings={1: {"size": 8192}}, labels=[labels], **given)
    found = pack(machine, Asked(changes=changes))
    assert roles(found)["machines/shed/machine.toml"] == "base"
    assert {"given/given.bin", "given/given.labels"} < set(roles(found))
    there = loaded(found, tmp_path, monkeypatch)
    assert there.fingerprint == machine.fingerprint
    assert [str(fault) for fault in there.faults] == [str(fault) for fault in machine.faults]
    assert there.labels["here"] == 0x8000


def test_a_change_that_would_be_lost_is_noticed(shed):
    machine = Machine.load(shed, seed=9)
    with pytest.raises(SimkitError, match=r"would be another one.*seed"):
        pack(machine, Asked())


def test_a_machine_with_cards_of_its_own_is_packed_and_not_run_from_the_kit(shed, tmp_path, monkeypatch):
    (shed / "lamp.py").write_text(CARD)
    more = '[[card]]\nslot = 3\nkind = "file:lamp.py:Lamp"\nselect = "0111 1111 0000 0000"\n'
    write(shed, "../../roms/shed.bin", more + "[card.settings]\n")
    text = (
        (shed / "machine.toml")
        .read_text()
        .replace('select = "0xxx', 'not_select = ["0111 1111 xxxx xxxx"]\nselect = "0xxx')
    )
    (shed / "machine.toml").write_text(text)
    found = packed(shed)
    assert roles(found)["machines/shed/lamp.py"] == "card"
    assert found.manifest.cards[2].package == ""
    with pytest.raises(SimkitError, match="nothing of a kit is run from it") as caught:
        loaded(found, tmp_path, monkeypatch)
    assert "simkit unpack" in str(caught.value)


def test_a_package_that_is_not_here_is_named_with_how_to_get_it(shed, tmp_path, monkeypatch):
    import attrs

    from simkit.kitfile.writing import kit_bytes

    found = packed(shed)
    kit = kit_of(found.content, Path("a.kit"))
    card = attrs.evolve(kit.manifest.cards[0], package="somebodys-cards", version="1.2", kind="stars")
    manifest = attrs.evolve(kit.manifest, cards=(card, *kit.manifest.cards[1:]))
    path = tmp_path / "b.kit"
    path.write_bytes(kit_bytes(manifest, kit.contents))
    with pytest.raises(SimkitError, match=r"pip install somebodys-cards==1\.2"):
        Machine.load(path)


@pytest.mark.parametrize("image", ["../../../../../../etc/passwd", "/etc/passwd"])
@pytest.mark.parametrize("base", [False, True])
def test_a_kit_made_by_hand_that_names_files_outside_of_it_reads_nothing(shed, tmp_path, monkeypatch, image, base):
    import attrs

    from simkit.kitfile.writing import described, kit_bytes

    found = packed(shed)
    kit = kit_of(found.content, Path("a.kit"))
    name = kit.manifest.machine
    text = f'base = "{image}"\n' if base else MACHINE.replace("IMAGE", image)
    contents = {**kit.contents, name: text.encode()}
    files = {**kit.manifest.files, name: described("machine", contents[name])}
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = tmp_path / "c.kit"
    path.write_bytes(kit_bytes(attrs.evolve(kit.manifest, files=files), contents))
    with pytest.raises(SimkitError, match="names a file outside of it"):
        Machine.load(path)


def test_the_project_is_the_nearest_folder_that_says_so(shed, tmp_path):
    assert project_of(shed / "machine.toml") == shed.parent.parent
    (shed / ".git").mkdir()
    assert project_of(shed / "machine.toml") == shed
    alone = tmp_path / "alone"
    alone.mkdir()
    (alone / "machine.toml").touch()
    assert project_of(alone / "machine.toml") in (alone, *alone.parents)
    assert project_of(ROOT / "demo" / "marlpit" / "machine.toml") == ROOT


def test_sources_in_a_kit_are_named_as_they_are_in_it(tmp_path, monkeypatch):
    """Not by where the user's cache folder lies."""
    there = loaded(pack(Machine.load("demo:marlpit"), Asked(sources=True)), tmp_path, monkeypatch)
    place = there.place(there.labels["main_loop"]).words()
    assert "roms/slug-watch" in place
    assert str(tmp_path) not in place
