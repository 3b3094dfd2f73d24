"""Every file that people hand in is read up to a size, and only when it is a file."""

import os
import sys

import pytest

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.machinefile.tomlfile import read_toml
from simkit.rom.images import read_image
from simkit.rom.labels import read_labels

READERS = {"image": lambda path: read_image(path, 1024), "labels": read_labels, "toml": read_toml}


@pytest.mark.parametrize("reader", READERS)
def test_a_folder_a_pipe_and_a_device_without_end_are_refused_at_once(reader, tmp_path):
    places = {tmp_path: "is a folder"}
    if sys.platform != "win32":
        os.mkfifo(tmp_path / "pipe")
        places[tmp_path / "pipe"] = "a device or a pipe"
        places[type(tmp_path)("/dev/zero")] = "a device or a pipe"
    for path, words in places.items():
        with pytest.raises(SimkitError) as caught:
            READERS[reader](path)
        assert words in str(caught.value)
        assert str(path) in str(caught.value)


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("name", ["nothing", "a\0b", "x" * 5000])
def test_paths_that_lead_nowhere_are_said_so(reader, name, tmp_path):
    with pytest.raises(SimkitError) as caught:
        READERS[reader](tmp_path / name)
    assert "There is no" in str(caught.value) or "cannot be read" in str(caught.value)


def test_a_file_at_the_limit_is_read_and_one_beyond_is_not(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"abc")
    assert read_bounded(path, 3, "file") == b"abc"
    with pytest.raises(SimkitError, match="has 3 bytes; 2 are allowed"):
        read_bounded(path, 2, "file")
