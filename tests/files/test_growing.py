"""Files that grow while the program runs: what was written stays, whatever ends the run; one run a file."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from simkit import Machine, record
from simkit.contract.errors import FileError, SimkitError
from simkit.files import growing, parts
from simkit.files.formats import Format
from simkit.files.growing import GrowingFile

LISTS = Format("a list of ours", lambda content: content.startswith(b"list"))


def test_what_is_written_is_there_at_once_and_stays(tmp_path):
    path = tmp_path / "a"
    with GrowingFile(path) as file:
        for number in range(3):
            file.write(b"x")
            assert path.read_bytes() == b"x" * (number + 1)
        file.sync()
    file.close()
    assert file.written.notes() == []
    assert path.read_bytes() == b"xxx"


def test_what_stands_there_goes_under_the_rules_of_the_one_writer(tmp_path):
    path = tmp_path / "a"
    path.write_text("list of old things")
    with pytest.raises(SimkitError, match="it stays as it is"):
        GrowingFile(path)
    assert path.read_text() == "list of old things"
    for words in ({"known": LISTS}, {"force": True}):
        with GrowingFile(path, **words) as file:
            assert file.written.notes() == [f"Overwrites {path}"]
            file.write(b"list")
        assert path.read_bytes() == b"list"
    (tmp_path / "link").symlink_to("b")
    (tmp_path / "empty").touch()
    for name in ("link", "empty"):
        with GrowingFile(tmp_path / name) as file:
            file.write(b"x")
    assert (tmp_path / "b").read_bytes() == b"x"
    assert (tmp_path / "link").is_symlink()


@pytest.mark.parametrize("name", ["no/a", "a\0b", "x" * 300, "."])
def test_a_wrong_path_is_told_before_anything_is_written(name, tmp_path):
    with pytest.raises(SimkitError, match=r"The capture .* cannot be written") as caught:
        GrowingFile(tmp_path / name, what="capture")
    assert not isinstance(caught.value, FileError)


@pytest.mark.skipif(parts.fcntl is None, reason="this system locks no files")
def test_a_file_that_another_run_is_writing_is_refused(tmp_path):
    with GrowingFile(tmp_path / "a"), pytest.raises(SimkitError, match="is being written by another run"):
        GrowingFile(tmp_path / "a", force=True)
    with GrowingFile(tmp_path / "a", force=True):
        pass


@pytest.mark.needs("/dev/full")
def test_a_full_device_is_the_systems_no(tmp_path):
    with GrowingFile(Path("/dev/full"), what="capture") as file, pytest.raises(FileError, match="No space left"):
        file.write(b"x")
    with GrowingFile(Path("/dev/null")) as file:
        file.write(b"x")
        file.sync()


@pytest.mark.needs("fifo")
def test_a_pipe_gets_it_as_it_comes(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileError, match="nobody reads"):
        GrowingFile(tmp_path / "pipe")
    found = []
    handle = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    os.set_blocking(handle, True)
    reader = threading.Thread(target=lambda: found.append(os.read(handle, 10)))
    with GrowingFile(tmp_path / "pipe") as file:
        reader.start()
        file.write(b"now")
        reader.join(10)
    os.close(handle)
    assert found == [b"now"]


WRITES = """
import sys
from pathlib import Path
from simkit.files.growing import GrowingFile
file = GrowingFile(Path(sys.argv[1]), force=True)
for number in range(1_000_000):
    file.write(b"%d\\n" % number)
    if number == 1000:
        print("written", flush=True)
"""


@pytest.mark.needs("SIGKILL")
def test_a_kill_leaves_all_that_was_written(tmp_path):
    path = tmp_path / "a"
    run = subprocess.Popen([sys.executable, "-c", WRITES, str(path)], stdout=subprocess.PIPE)
    run.stdout.readline()
    run.send_signal(signal.SIGKILL)
    run.communicate()
    lines = path.read_bytes().split(b"\n")
    assert len(lines) > 1000
    assert lines[:-1] == [b"%d" % number for number in range(len(lines) - 1)]


def no_room(handle, data):
    raise OSError(28, "No space left on device")


def test_a_new_file_in_which_nothing_could_be_written_goes_away_again(tmp_path, monkeypatch):
    monkeypatch.setattr(growing, "write_all", no_room)
    with pytest.raises(FileError), GrowingFile(tmp_path / "new") as file:
        file.write(b"x")
    (tmp_path / "old").write_bytes(b"")
    with pytest.raises(FileError), GrowingFile(tmp_path / "old") as file:
        file.write(b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["old"]


def test_what_was_written_before_the_disk_was_full_stays(tmp_path, monkeypatch):
    with GrowingFile(tmp_path / "a") as file:
        file.write(b"first")
        monkeypatch.setattr(growing, "write_all", no_room)
        with pytest.raises(FileError):
            file.write(b"second")
    assert (tmp_path / "a").read_bytes() == b"first"


def test_a_recording_whose_first_line_finds_no_room_leaves_nothing(tmp_path, monkeypatch):
    def part_of_it(handle, data):
        os.write(handle, data[:10])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(growing, "write_all", part_of_it)
    with pytest.raises(FileError, match="No space left"):
        record(Machine.load("demo:monitor"), tmp_path / "a.rec")
    assert list(tmp_path.iterdir()) == []
