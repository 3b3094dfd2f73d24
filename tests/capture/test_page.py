"""What the page for people says of channel files and bus lines is so."""

import re

from simkit.capture.channels import read_channels
from simkit.capture.page import PAGE
from simkit.capture.read import read_capture


def test_the_channel_file_of_the_page_is_one(tmp_path):
    text = PAGE[PAGE.index("  [channels]") : PAGE.index("Sample four times")]
    text = text.replace("  clock =", "# clock =").replace("  data =", "# data =")  # PHI2 and D0 have been given
    path = tmp_path / "channels.toml"
    path.write_text(text)
    reading = read_channels(path)
    assert len(reading.assigned) == 11
    assert reading.rate == 24_000_000


def test_the_bus_lines_of_the_page_are_such(tmp_path):
    path = tmp_path / "a"
    path.write_text(re.search(r"  bus-lines 1 cycles.*?(?=\n\n)", PAGE, re.DOTALL)[0].replace("  ", ""))
    assert read_capture(path).address[0].tolist() == [0xC000, 0xC001]
