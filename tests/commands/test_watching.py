"""`simkit run --watch`: which files count, when they are taken, and that nothing in them ends the session."""

import os
import sys

import pytest

from simkit.commands.new import write_machine
from simkit.commands.options import MachineOptions
from simkit.commands.run import RunOptions
from simkit.commands.watching import LOOKS_BEFORE_GONE, LOOKS_BEFORE_TOLD
from simkit.commands.windowed import watch_for
from simkit.hands.controls import default_controls
from simkit.window.fresh import Fresh
from simkit.window.trouble import trouble_words

CARD = """
import attrs
from simkit.contract import Card, Register

@attrs.frozen(kw_only=True)
class Settings:
    pass

class Lamp(Card):
    kind = "lamp"
    Settings = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamp", "r"),)

    def peek(self, offset, cycle):
        return 7
"""


def write(path, content):
    """Write as a tool does, a second after the last time."""
    before = path.stat().st_mtime_ns if path.exists() else 0
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    os.utime(path, ns=(before + 10**9, before + 10**9))


@pytest.fixture
def folder(tmp_path):
    """A machine with a base, an image, a label list and a card in a file, and controls of its own."""
    folder = write_machine(tmp_path / "hello")[0]
    (folder / "machine.toml").rename(folder / "base.toml")
    (folder / "lamp.py").write_text(CARD)
    (folder / "machine.toml").write_text(
        'base = "base.toml"\n[[card]]\nslot = 5\nkind = "file:lamp.py:Lamp"\nselect = "0111 1111 0110 0000"\n'
    )
    (folder / "controls.toml").write_text('bar_key = "pause"\n')
    return folder


@pytest.fixture
def watch(folder):
    return watch_for(RunOptions(options=MachineOptions(machine=str(folder))))


def looks(watch, number=2 * LOOKS_BEFORE_GONE):
    """What so many looks give: what was loaded, and what was said to be wrong."""
    loaded, wrong = [], []
    for _ in range(number):
        try:
            fresh = watch.fresh()
        except Exception as error:  # noqa: BLE001 - files may raise whatever they like
            wrong.append(trouble_words(error))
        else:
            loaded += [fresh] if fresh is not None else []
    return loaded, wrong


def test_nothing_changed_gives_nothing(watch):
    assert looks(watch) == ([], [])


FILES = ["machine.toml", "base.toml", "hello.bin", "hello.labels", "lamp.py"]


@pytest.mark.parametrize("name", FILES)
def test_every_file_of_the_machine_counts_once(watch, folder, name):
    write(folder / name, (folder / name).read_bytes())
    loaded, wrong = looks(watch)
    assert ([fresh.machine is not None for fresh in loaded], wrong) == ([True], [])


@pytest.mark.parametrize("name", FILES)
def test_a_file_replaced_by_another_of_its_size_and_time_counts(watch, folder, name):
    """Editors write beside the file and rename; copies may keep the time."""
    path, beside = folder / name, folder / "new"
    beside.write_bytes(path.read_bytes())
    stat = path.stat()
    os.utime(beside, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    beside.replace(path)
    assert len(looks(watch)[0]) == 1


def test_a_change_between_the_first_look_and_the_loading_of_the_machine_counts(watch, folder):
    write(folder / "hello.bin", (folder / "hello.bin").read_bytes())
    watch._options.load()
    assert len(looks(watch)[0]) == 1


def test_a_build_that_writes_for_seconds_is_taken_when_it_is_complete(watch, folder):
    content = (folder / "hello.bin").read_bytes()
    for part in range(1, 8):
        write(folder / "hello.bin", content[: part * len(content) // 8])
        assert looks(watch, 1) == ([], [])
    write(folder / "hello.bin", content)
    assert looks(watch, 1) == ([], [])
    (fresh,), wrong = looks(watch, 1)
    assert wrong == []
    assert fresh.machine.warnings == []


def test_files_that_never_stay_the_same_are_told_once_and_taken_when_they_do(watch, folder):
    content, told = (folder / "hello.bin").read_bytes(), []
    for _ in range(3 * LOOKS_BEFORE_TOLD):
        write(folder / "hello.bin", content)
        loaded, wrong = looks(watch, 1)
        told += wrong
        assert loaded == []
    assert [text.splitlines()[0] for text in told] == ["Its files go on changing."]
    assert len(looks(watch)[0]) == 1


WAYS = {
    "half of it": lambda content: content[: len(content) // 2],
    "empty": lambda content: b"",
    "too long": lambda content: content + b"\x00" * 40_000,
    "not text": lambda content: bytes(range(128, 256)),
    "one character amiss": lambda content: content.replace(b"=", b"", 1).replace(b"def", b"de f", 1),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", [*FILES, "controls.toml"])
def test_whatever_stands_in_a_file_is_told_once_and_the_next_good_one_is_taken(watch, folder, name, way):
    path = folder / name
    good = path.read_bytes()
    write(path, WAYS[way](good))
    loaded, wrong = looks(watch)
    assert len(loaded) + len(wrong) == 1
    assert all(name.split(".")[0] in text or "machine.toml" in text for text in wrong)
    write(path, good)
    loaded, wrong = looks(watch)
    assert (len(loaded), wrong) == (1, [])


@pytest.mark.parametrize("name", [*FILES, "controls.toml"])
def test_a_file_that_vanishes_may_come_back_soon(watch, folder, name):
    content = (folder / name).read_bytes()
    (folder / name).unlink()
    assert looks(watch, LOOKS_BEFORE_GONE - 1) == ([], [])
    write(folder / name, content)
    assert len(looks(watch)[0]) == 1


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_stays_away_is_told_once_by_its_name(watch, folder, name):
    content = (folder / name).read_bytes()
    (folder / name).unlink()
    loaded, (wrong,) = looks(watch, 4 * LOOKS_BEFORE_GONE)
    assert loaded == []
    assert name in wrong
    write(folder / name, content)
    assert len(looks(watch)[0]) == 1


def test_a_file_that_comes_back_as_it_was_mends_it_without_a_new_machine(watch, folder):
    (folder / "hello.bin").rename(folder / "away")
    assert len(looks(watch)[1]) == 1
    (folder / "away").rename(folder / "hello.bin")
    assert looks(watch) == ([Fresh()], [])
    assert looks(watch) == ([], [])


def test_a_file_named_before_it_is_there_is_noticed_when_it_comes(watch, folder):
    toml, image = folder / "machine.toml", (folder / "hello.bin").read_bytes()
    write(toml, toml.read_text() + '[[card]]\nslot = 2\nimage = "../built/new.bin"\n')
    (wrong,) = looks(watch)[1]
    assert "new.bin" in wrong
    (folder.parent / "built").mkdir()
    (folder.parent / "built" / "new.bin").write_bytes(image)
    assert len(looks(watch)[0]) == 1
    write(folder.parent / "built" / "new.bin", image)
    assert len(looks(watch)[0]) == 1


def test_a_base_named_before_it_is_there_is_noticed_when_it_comes(watch, folder):
    base = (folder / "base.toml").read_text()
    write(folder / "machine.toml", (folder / "machine.toml").read_text().replace("base.toml", "other.toml"))
    assert "other.toml" in looks(watch)[1][0]
    (folder / "other.toml").write_text(base)
    assert len(looks(watch)[0]) == 1


def test_files_that_the_machine_no_longer_names_no_longer_count(watch, folder):
    write(folder / "machine.toml", 'base = "base.toml"\n')
    assert len(looks(watch)[0]) == 1
    (folder / "lamp.py").unlink()
    assert looks(watch) == ([], [])


@pytest.mark.parametrize("name", ["a\\u0000b", "x" * 5000, "..", "/dev/zero"])
@pytest.mark.parametrize(
    "line", ['base = "{}"', '[[card]]\nslot = 2\nimage = "{}"', '[[card]]\nslot = 5\nkind = "file:{}:C"']
)
def test_paths_that_name_nothing_sensible_are_told(watch, folder, name, line):
    good = (folder / "machine.toml").read_text()
    start = "" if line.startswith("base") else 'base = "base.toml"\n'
    write(folder / "machine.toml", start + line.format(name))
    loaded, wrong = looks(watch)
    assert (loaded, len(wrong)) == ([], 1)
    write(folder / "machine.toml", good)
    assert len(looks(watch)[0]) == 1


def test_other_controls_leave_the_machine_alone(watch, folder):
    write(folder / "controls.toml", 'bar_key = "f12"\n')
    ((fresh,), wrong) = looks(watch)
    assert (fresh.machine, fresh.controls.bar_key, wrong) == (None, "f12", [])
    (folder / "controls.toml").unlink()
    ((fresh,), wrong) = looks(watch)
    assert (fresh.machine, fresh.controls.bar_key, wrong) == (None, default_controls().bar_key, [])
    (folder / "controls.toml").write_text('bar_key = "pause"\n')
    ((fresh,), wrong) = looks(watch)
    assert (fresh.machine, fresh.controls.bar_key, wrong) == (None, "pause", [])


def test_images_labels_and_controls_of_the_command_line_count(folder):
    (folder / "other.bin").write_bytes((folder / "hello.bin").read_bytes())
    (folder / "more.labels").write_text("more = $1234\n")
    (folder / "keys.toml").write_text('bar_key = "f9"\n')
    options = MachineOptions(
        machine=str(folder), image=(f"2={folder / 'other.bin'}",), labels=(folder / "more.labels",)
    )
    watch = watch_for(RunOptions(options=options, controls=folder / "keys.toml", bar_key="f10"))
    for name in ("other.bin", "more.labels"):
        write(folder / name, (folder / name).read_bytes())
        assert looks(watch)[0][0].machine is not None
    write(folder / "keys.toml", 'bar_key = "f8"\n')
    assert looks(watch)[0][0].controls.bar_key == "f10"


def test_a_card_changed_twice_within_a_second_is_the_last_one(watch, folder, monkeypatch):
    """Python's own cache of compiled files tells them apart by whole seconds and their size only."""
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    stat = (folder / "lamp.py").stat()
    for number, value in enumerate((8, 9, 6), start=1):
        (folder / "lamp.py").write_text(CARD.replace("return 7", f"return {value}"))
        at = stat.st_mtime_ns // 10**9 * 10**9 + 10**9 + number
        os.utime(folder / "lamp.py", ns=(at, at))
        (fresh,) = looks(watch)[0]
        assert fresh.machine.peek(0x7F60) == value
    assert not (folder / "__pycache__").exists()
