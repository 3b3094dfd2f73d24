"""The one writer: whole or not at all, several files together, nothing that is no file replaced."""

import os
import stat

import pytest

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_together, write_whole


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_text_and_bytes_are_written_and_replace_what_stood_there(tmp_path):
    write_together({tmp_path / "a.txt": "Möhren\n", tmp_path / "b.bin": b"\0\xff"})
    write_whole(tmp_path / "a.txt", "Kohl")
    assert (tmp_path / "a.txt").read_bytes() == b"Kohl"
    assert (tmp_path / "b.bin").read_bytes() == b"\0\xff"
    assert names(tmp_path) == ["a.txt", "b.bin"]


def test_files_have_the_rights_that_new_files_have(tmp_path):
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "a.txt", "x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == 0o640


@pytest.mark.parametrize("call", ["fsync", "open", "fdopen"])
def test_when_one_of_several_cannot_be_written_all_stay_as_they_were(tmp_path, monkeypatch, call):
    for name in "ab":
        (tmp_path / name).write_text("old")
    real, calls = getattr(os, call), []

    def full(*arguments, **words):
        calls.append(1)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        return real(*arguments, **words)

    monkeypatch.setattr(os, call, full)
    with pytest.raises(SimkitError, match=r"The list .*b cannot be written: No space left"):
        write_together({tmp_path / "a": "new", tmp_path / "b": "new"}, what="list")
    assert [(tmp_path / name).read_text() for name in "ab"] == ["old", "old"]
    assert names(tmp_path) == ["a", "b"]


def test_ctrl_c_while_writing_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("old")

    def stopped(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a", "new")
    assert (tmp_path / "a").read_text() == "old"
    assert names(tmp_path) == ["a"]


def test_folders_devices_and_pipes_are_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path, what in ((tmp_path, "a folder"), ("/dev/null", "a device"), (tmp_path / "pipe", "a device or a pipe")):
        with pytest.raises(SimkitError, match=what):
            write_whole(type(tmp_path)(path), "x")
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    with pytest.raises(SimkitError, match="cannot be written: No such file"):
        write_whole(tmp_path / "no" / "a", "x")
