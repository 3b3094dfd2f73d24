"""`simkit run --watch`: which files count, and when a machine is loaded anew."""

import os

import pytest

from simkit.commands.new import write_machine
from simkit.commands.options import MachineOptions
from simkit.commands.watching import LOOKS_BEFORE_GONE, Watch
from simkit.contract.errors import SimkitError


def touch(path, content):
    before = path.stat().st_mtime_ns if path.exists() else 0
    path.write_bytes(content)
    os.utime(path, ns=(before + 10**9, before + 10**9))


@pytest.fixture
def folder(tmp_path):
    return write_machine(tmp_path / "hello")[0]


@pytest.fixture
def watch(folder):
    options = MachineOptions(machine=str(folder))
    return Watch(options, options.load())


def test_nothing_changed_gives_nothing(watch):
    assert watch.fresh() is None


@pytest.mark.parametrize("name", ["machine.toml", "hello.bin", "hello.labels"])
def test_every_file_of_the_machine_counts_once(watch, folder, name):
    path = folder / name
    touch(path, path.read_bytes())
    assert watch.fresh() is not None
    assert watch.fresh() is None


def test_a_file_that_is_being_written_is_waited_for(watch, folder):
    content = (folder / "hello.bin").read_bytes()
    (folder / "hello.bin").unlink()
    assert watch.fresh() is None
    touch(folder / "hello.bin", content[:-1] + b"\x80")
    assert watch.fresh() is not None


def test_a_file_that_stays_away_is_told_once_by_its_name(watch, folder):
    content = (folder / "hello.bin").read_bytes()
    (folder / "hello.bin").unlink()
    told = []
    for _ in range(4 * LOOKS_BEFORE_GONE):
        try:
            assert watch.fresh() is None
        except SimkitError as error:
            told.append(str(error))
    (text,) = told
    assert f"There is no {folder / 'hello.bin'} any more; the machine runs on" in text
    touch(folder / "hello.bin", content)
    assert watch.fresh() is not None


def test_a_half_built_image_is_loaded_with_its_warning(watch, folder):
    touch(folder / "hello.bin", (folder / "hello.bin").read_bytes()[:300])
    assert [warning.rule for warning in watch.fresh().warnings] == ["image-size"]


def test_a_mistake_is_told_once_and_the_next_change_is_looked_at(watch, folder):
    good = (folder / "machine.toml").read_bytes()
    touch(folder / "machine.toml", good.replace(b"slot = 3", b"slot = 2"))
    with pytest.raises(SimkitError, match="two cards of this file stand in the slot"):
        watch.fresh()
    assert watch.fresh() is None
    touch(folder / "machine.toml", good)
    assert watch.fresh() is not None
