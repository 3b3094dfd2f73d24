"""Sources beside the folder of the machine file, in one project: which are read, and whose it may be."""

import os

import pytest

from simkit import Machine
from simkit.rom import project
from simkit.rom.project import project_of
from simkit.rom.sources import Sources

LINE = "lda #$60"


@pytest.fixture
def side_by_side(tmp_path):
    """sim/, build/ and src/ in a project."""
    for name in ("sim", "build", "src", ".git", ".git/hooks", "src/.private"):
        (tmp_path / "project" / name).mkdir(parents=True, exist_ok=True)
    return tmp_path / "project"


def read(folder, name, content=LINE):
    """(line, what is told) of a file of the project that a debug file in build/ names."""
    if not (folder / name).exists():
        (folder / name).write_text(content)
    sources = Sources(folder / "build" / "x.dbg", (folder / "sim",))
    return sources.line(f"../{name}", 1), " ".join(sources.remarks())


@pytest.mark.parametrize("mark", project.MARKS)
@pytest.mark.parametrize("name", ["src/main.s", "a.ASM", "src/hw.inc"])
def test_a_source_beside_the_machine_folder_in_its_project_is_read(side_by_side, name, mark):
    (side_by_side / ".git").rename(side_by_side / "kept")
    (side_by_side / mark).mkdir()
    assert read(side_by_side, name) == (LINE, "")


def test_a_source_is_found_by_its_path_from_the_root_too(side_by_side):
    (side_by_side / "src" / "a.s").write_text(LINE)
    assert Sources(side_by_side / "build" / "x", (side_by_side / "sim",)).line(f"{side_by_side}/src/a.s", 1) == LINE


@pytest.mark.parametrize("name", ["src/notes.txt", "id_rsa", "src/passwords.json", "key.pem", "s", "src/.s"])
def test_what_is_not_called_as_sources_are_is_not_read_of_a_project(side_by_side, name):
    line, told = read(side_by_side, name)
    assert not line
    assert "not called as sources are" in told


@pytest.mark.parametrize("name", [".git/config.s", ".git/hooks/a.s", "src/.private/a.s", "src/.a.s"])
def test_hidden_files_of_a_project_are_not_read(side_by_side, name):
    line, told = read(side_by_side, name)
    assert not line
    assert "begins with a dot" in told


def test_a_link_does_not_lead_out_of_a_project(side_by_side):
    (side_by_side.parent / "out.s").write_text(LINE)
    (side_by_side / "src" / "a.s").symlink_to(side_by_side.parent / "out.s")
    line, told = read(side_by_side, "src/a.s")
    assert not line
    assert "in no project" in told


def test_a_home_folder_and_what_is_above_is_no_project(side_by_side, monkeypatch):
    for home in (side_by_side, side_by_side / "src"):
        monkeypatch.setenv("HOME", str(home))
        monkeypatch.setenv("USERPROFILE", str(home))
        assert project_of(side_by_side / "sim") is None
    assert not read(side_by_side, "src/main.s")[0]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="the system knows no owners")
def test_a_project_of_somebody_else_is_none_nor_is_one_around_it(side_by_side, monkeypatch):
    (side_by_side.parent / ".git").mkdir()
    assert project_of(side_by_side / "sim") == side_by_side.resolve()
    monkeypatch.setattr(os, "geteuid", lambda: 12_345_678)
    assert project_of(side_by_side / "sim") is None


def test_without_a_project_it_is_told_what_would_make_it_be_read(side_by_side):
    (side_by_side / ".git").rename(side_by_side / "kept")
    line, told = read(side_by_side, "src/main.s")
    assert not line
    assert all(words in told for words in ("src/main.s", ".git", "SIMKIT_SOURCES"))


def test_paths_of_a_machine_file_are_shown_short_but_not_where_a_link_makes_them_others(tmp_path):
    text = 'clock = "1 MHz"\n[[card]]\nslot = 1\nkind = "rom"\nselect = "A15"\nimage = "../build/x.bin"\n'
    text += 'labels = "../build/x.labels"\n'
    for folder in ("sim", "build", "far/build", "far/sim"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "near").symlink_to(tmp_path / "far" / "sim")
    for folder in ("build", "far/build"):
        (tmp_path / folder / "x.labels").write_text(f"{folder.replace('/', '_')} = $8000\n")
        (tmp_path / folder / "x.bin").write_bytes(bytes([0xEA]) * 32768)
    for folder, label in (("sim", "build"), ("near", "far_build")):
        (tmp_path / folder / "machine.toml").write_text(text)
        machine = Machine.load(tmp_path / folder)
        assert list(machine.labels) == [label]
        shown = str(machine.description.cards[0].labels[0])
        assert (".." in shown) == (folder == "near")
