"""The one writer: whole or not at all, several files together, over nothing that is not the kit's own."""

import json
import os
import re
import stat
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from simkit.contract.errors import FileError, SimkitError
from simkit.files import parts
from simkit.files.formats import Format, html_format, json_format, sarif_format
from simkit.files.outputs import TakenError
from simkit.files.parts import Part, clear_left_overs
from simkit.files.streams import is_stdout, is_stream
from simkit.files.whole import check_output, write_folder, write_new, write_together, write_whole

LISTS = Format("a list of ours", lambda content: content.startswith(b"list"))


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def tree(folder):
    """Content by path of all that is there; None of folders."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")
    }


# what may be written --------------------------------------------------------------------------------------------------


def test_text_and_bytes_are_written(tmp_path):
    written = write_together({tmp_path / "a.txt": "Möhren\n", tmp_path / "b.bin": b"\0\xff"})
    assert tree(tmp_path) == {"a.txt": "Möhren\n".encode(), "b.bin": b"\0\xff"}
    assert written.notes() == []


def test_a_file_of_the_same_format_is_replaced_and_that_is_said(tmp_path):
    (tmp_path / "a").write_text("list 1")
    written = write_whole(tmp_path / "a", "list 2", known=LISTS)
    assert (tmp_path / "a").read_text() == "list 2"
    assert written.notes() == [f"Overwrites {tmp_path / 'a'}"]
    assert names(tmp_path) == ["a"]


@pytest.mark.parametrize("known", [None, LISTS])
def test_any_other_file_stays_unless_it_is_forced(known, tmp_path):
    path = tmp_path / "a"
    path.write_text("a diary")
    for refuse in (check_output, lambda path, **words: write_whole(path, "list", **words)):
        with pytest.raises(TakenError, match=r"a exists.* it stays as it is\.\nChoose another name, or add --force\."):
            refuse(path, known=known)
    assert path.read_text() == "a diary"
    assert write_whole(path, "list", known=known, force=True).overwritten == (path,)
    assert tree(tmp_path) == {"a": b"list"}


def test_an_empty_file_holds_nothing_that_could_be_lost(tmp_path):
    (tmp_path / "a").touch()
    assert write_whole(tmp_path / "a", "x").notes() == []
    assert (tmp_path / "a").read_text() == "x"


def test_one_foreign_file_among_several_keeps_all_as_they_were(tmp_path):
    (tmp_path / "a").write_text("list 1")
    (tmp_path / "b").write_text("a diary")
    before = tree(tmp_path)
    with pytest.raises(TakenError, match="b exists and is not a list of ours"):
        write_together({tmp_path / name: "list 2" for name in "acb"}, known=LISTS)
    assert tree(tmp_path) == before


def test_a_large_file_is_known_by_its_beginning_as_far_as_that_tells(tmp_path, monkeypatch):
    monkeypatch.setattr("simkit.files.outputs.MAX_BYTES", 40)
    (tmp_path / "a").write_text("list " + "x" * 100)
    write_whole(tmp_path / "a", "list", known=LISTS)
    counts = json_format("counts", "ours")
    (tmp_path / "lines").write_bytes(b'{"format": "ours"}\n' + b"\0" * 100)
    write_whole(tmp_path / "lines", "{}", known=counts)
    (tmp_path / "b").write_text('{"format": "ours", "more": "' + "x" * 100 + '"}')
    with pytest.raises(TakenError):
        write_whole(tmp_path / "b", "{}", known=counts)


def test_formats_know_their_own_and_nothing_else():
    ours = {
        json_format("counts", "ours"): [b'{"format": "ours"}', b'{"format":"ours","version":1}\n{"a":1}\n{"half'],
        sarif_format("report", "simkit check"): [b'{"runs": [{"tool": {"driver": {"name": "simkit check"}}}]}'],
        html_format("page", "ours"): [b'<!doctype html><meta name=generator content="ours"><p>'],
    }
    others = [b"", b"\xff", b"[", b"[" * 100_000, b"null", b'"format"', b'{"format": ["ours"]}', b'{"format": "other"}']
    others += [b'{"runs": 1}', b'{"runs": [{}]}', b'{"runs": [{"tool": {"driver": {"name": "x"}}}]}', b'{"runs": []}']
    others += [
        b'<meta name=generator content="other">',
        b"1" * 5000,
        b"x" * 3000 + b'<meta name=generator content="ours">',
    ]
    for kind, contents in ours.items():
        assert all(kind.knows(content) for content in contents), kind.name
        foreign = others + [content for other in ours if other is not kind for content in ours[other]]
        assert not any(kind.knows(content) for content in foreign), kind.name


# where it leads -------------------------------------------------------------------------------------------------------


def test_a_link_stays_and_what_it_leads_to_is_replaced(tmp_path):
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "a").write_text("list 1")
    (tmp_path / "link").symlink_to(tmp_path / "inner" / "a")
    (tmp_path / "over").symlink_to("link")
    (tmp_path / "nowhere").symlink_to("inner/b")
    write_together({tmp_path / "over": "list 2", tmp_path / "nowhere": "list 3"}, known=LISTS)
    assert all((tmp_path / name).is_symlink() for name in ("link", "over", "nowhere"))
    assert tree(tmp_path / "inner") == {"a": b"list 2", "b": b"list 3"}
    with pytest.raises(TakenError):
        write_whole(tmp_path / "link", "x")


def test_paths_that_no_file_can_have_are_wrong_use(tmp_path):
    (tmp_path / "circle").symlink_to("circle")
    (tmp_path / "file").touch()
    for name in ("no/a", "file/a", "x" * 300, "circle", "circle/a", "a\0b"):
        for refuse in (check_output, lambda path, **words: write_whole(path, "x", **words)):
            with pytest.raises(SimkitError, match="cannot be written") as caught:
                refuse(tmp_path / name, what="list")
            assert not isinstance(caught.value, FileError), name
            assert caught.value.remedy
    with pytest.raises(SimkitError, match="it is a folder"):
        write_whole(tmp_path, "x")
    assert names(tmp_path) == ["circle", "file"]


def test_files_have_the_rights_that_new_files_have(tmp_path):
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "a.txt", "x")
        write_together({tmp_path / "b" / "a.txt": "x"}, make_folders=True)
    finally:
        os.umask(before)
    for path, mode in ((tmp_path / "a.txt", 0o640), (tmp_path / "b", 0o750), (tmp_path / "b" / "a.txt", 0o640)):
        if os.name == "posix":
            assert stat.S_IMODE(path.stat().st_mode) == mode


@pytest.mark.needs("users")
@pytest.mark.parametrize("mode", [0o600, 0o664, 0o755, 0o200])
def test_a_file_that_is_replaced_keeps_its_rights(mode, tmp_path):
    path = tmp_path / "a"
    path.write_text("list 1")
    if os.getuid() == 0:
        os.chown(path, 12, 34)
    path.chmod(mode)
    before = path.stat()
    write_whole(path, "list 2", force=True)
    after = path.stat()
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() == 0, reason="the user may write everywhere")
def test_a_file_that_is_write_protected_is_the_systems_no(tmp_path):
    (tmp_path / "a").write_text("list")
    (tmp_path / "a").chmod(0o444)
    with pytest.raises(FileError, match="write-protected"):
        check_output(tmp_path / "a", force=True)


def test_a_folder_that_is_write_protected_is_told_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    (tmp_path / "a").write_text("list")
    for name in ("a", "b"):
        with pytest.raises(FileError, match="write-protected"):
            check_output(tmp_path / name, known=LISTS)


@pytest.mark.needs("devices")
def test_devices_take_what_is_written_as_they_are(tmp_path):
    write_together({Path("/dev/null"): "x", tmp_path / "a": "y"})
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)
    if is_stream(Path("/dev/full")):
        with pytest.raises(FileError, match="No space left"):
            write_together({tmp_path / "b": "y", Path("/dev/full"): "x"})
    assert tree(tmp_path) == {"a": b"y"}


@pytest.mark.needs("fifo")
def test_a_pipe_that_somebody_reads_takes_it_whole_and_another_does_not_hold_us_up(tmp_path):
    pipe, content = tmp_path / "pipe", bytes(range(256)) * 2000
    os.mkfifo(pipe)
    with pytest.raises(FileError, match="nobody reads from the pipe"):
        write_whole(pipe, "x")
    check_output(pipe)  # whose reader would take looking for an end
    found = []
    reader = threading.Thread(target=lambda: found.append(pipe.read_bytes()))
    reader.start()
    for _ in range(200):
        try:
            write_whole(pipe, content)
            break
        except FileError:
            time.sleep(0.02)
    reader.join(10)
    assert found == [content]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.needs("fifo")
def test_a_disk_and_a_socket_are_refused_also_by_force(tmp_path, monkeypatch):
    import socket

    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "s"))
        with pytest.raises(SimkitError, match="a disk or a socket"):
            write_whole(tmp_path / "s", "x", force=True)


PRINTS_AND_WRITES = """
import sys
from pathlib import Path
from simkit.files.streams import is_stdout
from simkit.files.whole import write_whole
print("before")
write_whole(Path(sys.argv[1]), "picture\\n")
print("after", is_stdout(Path(sys.argv[1])), is_stdout(Path("/dev/null")))
"""


@pytest.mark.needs("devices")
@pytest.mark.parametrize("name", ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1", "/dev/../dev/stdout"])
@pytest.mark.parametrize("to", ["pipe", "file", "end of a file"])
def test_standard_output_gets_it_in_its_place_wherever_it_leads(name, to, tmp_path):
    if not Path(name).exists():
        pytest.skip(f"{name} is not there")
    (tmp_path / "out").write_text("older\n")
    command = [sys.executable, "-c", PRINTS_AND_WRITES, name]
    if to == "pipe":
        found = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    else:
        with (tmp_path / "out").open("a" if "end" in to else "w") as out:
            subprocess.run(command, stdout=out, check=True)
        found = (tmp_path / "out").read_text()
    assert found.removeprefix("older\n" if "end" in to else "") == "before\npicture\nafter True False\n"


def test_a_file_is_neither_a_stream_nor_standard_output(tmp_path):
    (tmp_path / "a").touch()
    for path in (tmp_path / "a", tmp_path, tmp_path / "no", tmp_path / "a\0b"):
        assert not is_stream(path)
        assert not is_stdout(path)


# all or nothing -------------------------------------------------------------------------------------------------------


CALLS = ("open", "write", "fsync", "mkdir", "link", "rename", "replace", "chmod")


def old_and_new(folder):
    """Files that are there, and what is to be written: over them, beside them, in folders that are made."""
    (folder / "a").write_text("list old")
    (folder / "b").write_text("list old")
    (folder / "there").mkdir()
    wanted = ("a", "new", "b", "there/c", "made/d", "made/deeper/e", "there/made/f")
    return {folder / name: f"list {name}" for name in wanted}


@pytest.mark.parametrize("links", [True, False], ids=["", "without links"])
@pytest.mark.parametrize(
    "failure", [OSError(28, "No space left on device"), KeyboardInterrupt()], ids=["full", "Ctrl-C"]
)
def test_whatever_fails_in_the_middle_leaves_all_as_it_was(failure, links, tmp_path, monkeypatch):
    """Each call of the system fails in turn: the first, then the second, ..."""
    real = {name: getattr(os, name) for name in CALLS}
    if not links:

        def none(*_, **__):
            raise PermissionError(1, "Operation not permitted")

        real["link"] = none
    count, failing = 0, 0

    def counted(name):
        def call(*arguments, **words):
            nonlocal count
            count += 1
            if count == failing:
                raise failure
            return real[name](*arguments, **words)

        return call

    def write(folder, contents):
        nonlocal count
        count = 0
        with monkeypatch.context() as patch:
            for name in CALLS:
                patch.setattr(os, name, counted(name))
            try:
                write_together(contents, known=LISTS, make_folders=True)
            except (SimkitError, KeyboardInterrupt) as error:
                return error
        return None

    done = tolerated = 0
    for failing in range(1, 200):
        folder = tmp_path / str(failing)
        folder.mkdir()
        contents = old_and_new(folder)
        before = tree(folder)
        error = write(folder, contents)
        if error is not None:
            assert type(error) is (FileError if isinstance(failure, OSError) else KeyboardInterrupt), failing
            if links:
                assert tree(folder) == before, failing
            continue
        found = {path: content for path, content in tree(folder).items() if content is not None}
        assert found == {path.relative_to(folder).as_posix(): text.encode() for path, text in contents.items()}
        if count < failing:
            done = failing
            break
        tolerated += 1  # a link that cannot be made is done without
    assert done > 30
    assert tolerated < 10


def test_what_has_got_the_name_in_the_meantime_is_not_written_over(tmp_path, monkeypatch):
    real = os.fsync

    def slow(handle):
        real(handle)
        (tmp_path / "a").write_text("another run's")
        (tmp_path / "made").mkdir(exist_ok=True)
        (tmp_path / "made" / "x").touch()

    monkeypatch.setattr(os, "fsync", slow)
    for path in (tmp_path / "a", tmp_path / "made" / "b"):
        with pytest.raises(SimkitError, match=r"(a|made) exists; it stays as it is"):
            write_together({path: "x"}, make_folders=True)
        assert (tmp_path / "a").read_text() == "another run's"
        (tmp_path / "a").unlink()
        (tmp_path / "made" / "x").unlink()
        (tmp_path / "made").rmdir()
    assert names(tmp_path) == []


FULL = """
import resource, signal, sys
from pathlib import Path
from simkit.files.whole import write_together
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
folder = Path(sys.argv[1])
contents = {folder / "a": b"new", folder / "b": bytes(60_000), folder / "made" / "c": b"new"}
write_together(contents, force=True, make_folders=True)
"""


@pytest.mark.needs("resource")
def test_a_file_that_the_system_cuts_off_leaves_all_as_it_was(tmp_path):
    (tmp_path / "a").write_text("old")
    result = subprocess.run([sys.executable, "-c", FULL, str(tmp_path)], capture_output=True, text=True, check=False)
    assert re.search(r"FileError: The file \S+b cannot be written: File too large\.", result.stderr)
    assert tree(tmp_path) == {"a": b"old"}


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 64 KiB."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("a small disk cannot be mounted here: needs Linux and rights")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(sys.platform != "linux", reason="a small disk is mounted as on Linux")
def test_a_full_disk_leaves_all_as_it_was(small_disk):
    (small_disk / "a").write_text("old")
    contents = {small_disk / "a": b"new", small_disk / "b": bytes(60_000), small_disk / "made" / "c": bytes(60_000)}
    with pytest.raises(FileError, match="No space left on device"):
        write_together(contents, force=True, make_folders=True)
    assert tree(small_disk) == {"a": b"old"}
    write_together({small_disk / "b": bytes(40_000)})
    with pytest.raises(FileError, match="No space left on device"):
        write_whole(small_disk / "b", b"x" * 40_000, force=True)
    assert tree(small_disk) == {"a": b"old", "b": bytes(40_000)}


# free names, folders --------------------------------------------------------------------------------------------------


def test_a_free_name_is_the_first_that_nothing_has(tmp_path, monkeypatch):
    (tmp_path / "0").touch()
    (tmp_path / "1").symlink_to("nowhere")
    paths = [tmp_path / str(number) for number in range(4)]
    assert write_new(paths, b"x") == paths[2]
    paths[2].unlink()
    real = os.fsync

    def taken_meanwhile(handle):
        real(handle)
        paths[2].write_bytes(b"x")

    monkeypatch.setattr(os, "fsync", taken_meanwhile)
    assert write_new(paths, b"y") == paths[3]
    with pytest.raises(SimkitError, match="each name for it is taken"):
        write_new(paths, b"z")
    assert paths[2].read_bytes() == b"x"


def test_folders_that_are_made_appear_whole_and_only_where_that_was_asked(tmp_path):
    contents = {tmp_path / "new" / name: name for name in ("a", "b/c", "b/d/e")}
    with pytest.raises(SimkitError, match="there is no folder"):
        write_together(contents)
    assert names(tmp_path) == []
    write_together(contents, make_folders=True)
    assert {path for path, content in tree(tmp_path).items() if content} == {"new/a", "new/b/c", "new/b/d/e"}


# runs beside one another, runs that were killed -----------------------------------------------------------------------


def test_the_next_run_takes_away_what_a_killed_one_left_and_says_so(tmp_path):
    left = []
    for name in ("a", "made", "other"):
        part = Part(tmp_path / name)
        part.make_folder() if name == "made" else part.make_file(b"half", None)
        left.append(part)
    (left[1].path / "inside").write_text("half")
    if parts.fcntl is None:
        for part in left:
            os.utime(part.path, (1, 1))
    for part in left:
        part.close()  # as the system does for a process that is gone
    written = write_together({tmp_path / "a": "x", tmp_path / "made" / "b": "y"}, make_folders=True)
    assert sorted(written.cleared) == sorted(part.path for part in left[:2])
    assert written.notes()[0] == f"Removes {left[0].path}, which a run that was killed had left"
    assert names(tmp_path) == sorted(["a", "made", left[2].path.name])


@pytest.mark.skipif(parts.fcntl is None, reason="this system locks no files")
def test_what_another_run_is_writing_is_left_alone(tmp_path):
    part = Part(tmp_path / "a")
    part.make_file(b"half", None)
    assert write_whole(tmp_path / "a", "x").cleared == ()
    assert part.path.read_bytes() == b"half"
    part.drop()


def test_without_locks_parts_go_a_day_later(tmp_path, monkeypatch):
    monkeypatch.setattr(parts, "fcntl", None)
    part = Part(tmp_path / "a")
    part.make_file(b"half", None)
    part.close()
    assert clear_left_overs(tmp_path / "a") == []
    os.utime(part.path, (time.time() - parts.OLD_SECONDS - 60,) * 2)
    assert clear_left_overs(tmp_path / "a") == [part.path]


def test_only_parts_of_the_same_name_are_taken_away(tmp_path):
    for name in (".simkit-x.part", "a.part", ".a.part", "a~"):
        (tmp_path / name).touch()
    write_whole(tmp_path / "a", "x")
    assert names(tmp_path) == sorted([".simkit-x.part", "a.part", ".a.part", "a~", "a"])


WRITES = """
import sys
from pathlib import Path
from simkit.files.whole import write_whole
for _ in range(150):
    write_whole(Path(sys.argv[1]), sys.argv[2].encode() * 50_000, force=True)
"""


def test_of_several_runs_that_write_one_folder_one_does_and_it_is_whole(tmp_path):
    contents = {Path(f"{number}/a"): bytes(1000) for number in range(20)}
    together = threading.Barrier(6)

    def write(number):
        together.wait()
        try:
            write_folder(tmp_path / "new", contents)
        except TakenError:
            return 0
        return 1

    with ThreadPoolExecutor(6) as pool:
        assert sum(pool.map(write, range(6))) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["new"]
    assert {path.relative_to(tmp_path / "new") for path in (tmp_path / "new").rglob("a")} == set(contents)


@pytest.mark.skipif(parts.fcntl is None, reason="this system locks no files")
def test_a_folder_that_another_run_takes_for_a_left_over_is_made_again(tmp_path, monkeypatch):
    """Between making and locking it, there is nothing that tells it from what a killed run has left."""
    mkdir, taken = Path.mkdir, []

    def make(path, *given, **named):
        mkdir(path, *given, **named)
        if path.suffix == ".part" and not taken:
            taken.append(path)
            path.rmdir()

    monkeypatch.setattr(Path, "mkdir", make)
    write_folder(tmp_path / "new", {Path("a"): b"x"})
    assert taken
    assert (tmp_path / "new" / "a").read_bytes() == b"x"


def test_two_runs_that_write_one_name_do_not_mix(tmp_path):
    path = tmp_path / "a"
    runs = [subprocess.Popen([sys.executable, "-c", WRITES, str(path), letter]) for letter in "xyz"]
    seen = set()
    while any(run.poll() is None for run in runs):
        if path.exists():
            content = path.read_bytes()
            assert len(content) == 50_000
            seen.update(content)
            assert content == content[:1] * 50_000
    assert [run.returncode for run in runs] == [0, 0, 0]
    assert seen <= set(b"xyz")
    assert names(tmp_path) == ["a"]


KILLS = Path(__file__).with_name("kills.py")


@pytest.mark.needs("fork", "SIGKILL")
@pytest.mark.parametrize("kills", [12, pytest.param(200, marks=pytest.mark.slow)])
def test_runs_that_are_killed_while_they_write_leave_no_half_file(kills):
    """Pictures, counts, images raw, in hex and split, a new machine, a new card, a demo, a capture."""
    command = [sys.executable, str(KILLS), "--seed", str(kills), "--kills", str(kills)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.needs("fork", "SIGKILL")
@pytest.mark.slow
def test_commands_that_are_killed_at_their_writing_leave_no_half_file():
    """Recordings, pictures, captures, images, SARIF, coverage, video, new and demo folders, a window's screenshots."""
    kills = 108
    command = [sys.executable, str(KILLS.with_name("command_kills.py")), "--seed", str(kills), "--kills", str(kills)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert sum(told["kills"].values()) == kills
    assert len(told["kills"]) == 12
    assert told["left"]["runs that left parts"] > 0
