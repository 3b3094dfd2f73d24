"""Every file that people hand in is read up to a size, and only when it is a file; lines of texts as editors count."""

import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.errors import FileError, SimkitError
from simkit.files.bounded import is_file, is_folder, lines_of, read_bounded, read_text, text_of


def test_a_folder_a_pipe_and_devices_without_end_are_refused_at_once(tmp_path):
    places = {tmp_path: "is a folder"}
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        for path in (tmp_path / "pipe", *map(type(tmp_path), ("/dev/zero", "/dev/random", "/dev/tty", "/dev/stdin"))):
            places[path] = "a device or a pipe"
    for path, words in places.items():
        if path.exists() and not is_file(path):
            with pytest.raises(SimkitError) as caught:
                read_bounded(path, 100, "list")
            assert words in str(caught.value)
            assert str(path) in str(caught.value)


@pytest.mark.needs("fifo")
def test_what_becomes_a_pipe_between_looking_and_opening_holds_nobody_up(tmp_path, monkeypatch):
    path = tmp_path / "list"
    path.write_text("x")
    real = os.open

    def exchanged(place, *rest):
        path.unlink()
        os.mkfifo(path)
        return real(place, *rest)

    monkeypatch.setattr(os, "open", exchanged)
    with pytest.raises(SimkitError, match="a device or a pipe"):
        read_bounded(path, 100, "list")


def test_a_file_that_grows_while_it_is_read_is_read_up_to_the_limit(tmp_path, monkeypatch):
    path = tmp_path / "list"
    path.write_bytes(b"x" * 10)
    monkeypatch.setattr(os, "read", lambda handle, size: b"x" * size)
    with pytest.raises(SimkitError, match="has more than 100 bytes; 100 are allowed"):
        read_bounded(path, 100, "list")


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="Linux shows such files")
def test_files_that_are_none_are_read_up_to_the_limit_or_told(tmp_path):
    """Their size is said to be 0."""
    assert read_bounded(Path("/proc/self/status"), 100_000, "list").startswith(b"Name:")
    with pytest.raises(SimkitError, match="are allowed"):
        read_bounded(Path("/proc/self/status"), 10, "list")
    with pytest.raises(FileError, match="cannot be read"):
        read_bounded(Path("/proc/self/mem"), 10, "list")


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "\ud800", "..", "../" * 2000 + "x"])
def test_names_that_no_file_can_have_are_told(name, tmp_path):
    with pytest.raises((SimkitError, FileNotFoundError)):
        read_bounded(tmp_path / name, 10, "list")
    assert not is_file(tmp_path / name)


def test_links_in_a_circle_are_told(tmp_path):
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(SimkitError, match="cannot be read"):
        read_bounded(tmp_path / "a", 10, "list")
    assert not is_file(tmp_path / "a")
    assert not is_folder(tmp_path / "a")


def test_a_file_that_may_not_be_read_is_the_systems_no(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("x")

    def refused(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    with pytest.raises(FileError, match=r"The list .*a cannot be read: Permission denied"):
        read_bounded(tmp_path / "a", 10, "list")


def test_a_file_at_the_limit_is_read_and_one_beyond_is_not(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"abc")
    assert read_bounded(path, 3, "file") == b"abc"
    with pytest.raises(SimkitError, match="has 3 bytes; 2 are allowed"):
        read_bounded(path, 2, "file")
    assert is_file(path)
    assert is_folder(tmp_path)


# text -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_end_as_on_any_system_and_a_mark_before_them_does_not_count(mark, end, tmp_path):
    (tmp_path / "list").write_bytes((mark + end.join(("eins", "zwei", "", "vier"))).encode())
    assert lines_of(read_text(tmp_path / "list", 100, "list")) == ["eins", "zwei", "", "vier"]


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        ("a\nb".encode("utf-16"), None, "UTF-16"),
        ("a\nb".encode("utf-16-be"), 1, "NUL byte"),
        ("a".encode("utf-32"), None, "UTF-16 or UTF-32"),
        (b"a\nb\r\nc\r\xff", 4, "not UTF-8"),
        (b"\xef\xbb\xbfa\n\xff", 2, "not UTF-8"),
        (b"a\nb\0", 2, "NUL byte"),
        ("ä\n".encode("latin-1"), 1, "not UTF-8"),
        (b"a\n" + b"b" * 101, 2, "101 characters; 100 are allowed"),
        (b"a\n\xed\xa0\x80", 2, "not UTF-8"),
    ],
)
def test_what_is_no_text_is_told_with_its_line_and_without_a_word_of_it(content, line, words):
    with pytest.raises(SimkitError, match=words) as caught:
        text_of(content, "x.list", "list", longest_line=100)
    assert caught.value.file == "x.list"
    assert caught.value.line == line
    assert caught.value.remedy


@given(st.text())
def test_any_text_comes_back_with_its_lines(text):
    text = text.replace("\0", "")
    found = text_of(text.encode("utf-8", "ignore"), "x", "list")
    plain = text.encode("utf-8", "ignore").decode().removeprefix("\ufeff")
    assert found == plain.replace("\r\n", "\n").replace("\r", "\n")
    assert "\n".join(lines_of(found)) == found.removesuffix("\n")


@given(st.binary(max_size=300))
def test_any_bytes_are_text_or_give_one_clear_error(content):
    told = None
    try:
        text_of(content, "x", "list")
    except SimkitError as error:
        told = error
    assert told is None or (told.message.endswith(".") and told.remedy)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows forbids such names itself")
def test_names_of_files_in_messages_steer_no_terminal(tmp_path):
    path = tmp_path / "a\x1b[2J\n\u202eb"
    path.write_bytes(b"\xff")
    with pytest.raises(SimkitError) as caught:
        read_text(path, 10, "list")
    assert "\x1b" not in str(caught.value)
    assert "\u202e" not in str(caught.value)
    assert r"a\x1b[2J\n\u202eb" in str(caught.value)
