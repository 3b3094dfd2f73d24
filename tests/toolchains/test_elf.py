"""ELF files with DWARF line tables, read through pyelftools."""

import sys
from contextlib import suppress

import pytest

from simkit.contract.errors import SimkitError
from simkit.rom.labels import read_labels
from simkit.rom.listing import completed, read_listing, read_rows
from tests.toolchains.conftest import places
from tests.toolchains.elf import ABSOLUTE, elf

pytest.importorskip("elftools", reason="the package pyelftools is not installed")
NOTYPE, OBJECT, FUNCTION = 0, 1, 2
FILES = [("main.c", 0), ("put.s", 1)]
ROWS = [
    (0x8000, 0, 4), (0x8005, 0, 5), (0x8009, 1, 12), (0x800A, 0, 0), (0x800C, 0, 7), (0x800E, 0, None),
    (0x18100, 1, 20), (0x18102, 1, None),
]  # fmt: skip
CODE = bytes.fromhex("A9018D0060 4C0080EA 60 EAEA A200".replace(" ", ""))


def write(path, **words):
    path.write_bytes(elf(**words))
    return path


@pytest.mark.parametrize("version", [2, 3, 4, 5])
def test_lines_are_those_of_the_table_in_every_version(version, tmp_path):
    """Files count from 1 up to version 4 and from 0 in version 5; line 0 is the compiler's own; the end of a sequence
    belongs to no line; a bank above bit 15 is masked."""
    path = write(tmp_path / "x.elf", version=version, folders=["lib"], files=FILES, rows=ROWS)
    assert [(row.address, row.length, row.place) for row in read_rows(path)] == [
        (0x8000, 5, "main.c:4"), (0x8005, 4, "main.c:5"), (0x8009, 1, "lib/put.s:12"), (0x800C, 2, "main.c:7"),
        (0x8100, 2, "lib/put.s:20"),
    ]  # fmt: skip
    assert read_listing(path).row(0x800B) is None


def test_a_line_of_several_instructions_has_a_row_for_each(tmp_path):
    path = write(tmp_path / "x.elf", files=FILES, rows=ROWS[:6])
    memory = CODE.ljust(256, b"\xea")
    rows = completed(read_rows(path), "65C02", lambda address, length: memory[address - 0x8000 :][:length])
    assert places(rows)[:4] == [
        (0x8000, 2, "main.c", 4, True), (0x8002, 3, "main.c", 4, True), (0x8005, 3, "main.c", 5, True),
        (0x8008, 1, "main.c", 5, True),
    ]  # fmt: skip


def test_sources_that_lie_there_give_their_text(tmp_path):
    (tmp_path / "main.c").write_text("\n\n\n    go();\n")
    path = write(tmp_path / "x.elf", files=FILES, rows=ROWS)
    row = read_listing(path).row(0x8001)
    assert (row.text, row.file) == ("go();", str(tmp_path / "main.c"))


def test_symbols_are_labels(tmp_path):
    symbols = [
        ("main", 0x8000, FUNCTION, 1), ("count", 0x0200, OBJECT, 1), ("__rc2", 0x0002, NOTYPE, ABSOLUTE),
        ("far", 0x18100, FUNCTION, 1), ("undefined", 0, NOTYPE, 0), ("size", 0x12345, NOTYPE, ABSOLUTE),
    ]  # fmt: skip
    notes = []
    labels = read_labels(write(tmp_path / "x.elf", symbols=symbols), notes)
    assert labels == {"main": 0x8000, "count": 0x200, "__rc2": 2, "far": 0x8100}
    assert "holds no line tables" in notes[0]


@pytest.mark.parametrize(
    ("words", "message"), [({"machine": 62}, "of another processor"), ({"kind": 1}, "is not linked")]
)
def test_a_file_of_which_nothing_can_be_had_is_told(words, message, tmp_path):
    with pytest.raises(SimkitError, match=message):
        read_labels(write(tmp_path / "x.elf", **words))


def test_a_damaged_file_is_told_or_read_and_never_a_traceback(tmp_path):
    whole = elf(5, symbols=[("main", 0x8000, FUNCTION, 1)], folders=["lib"], files=FILES, rows=ROWS)
    path = tmp_path / "x.elf"
    for at in range(4, len(whole), 9):
        for content in (whole[:at], whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :]):
            path.write_bytes(content)
            with suppress(SimkitError):
                read_rows(path)


def test_without_the_package_the_message_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "elftools.elf.elffile", None)
    with pytest.raises(SimkitError, match="needs the package pyelftools") as told:
        read_labels(write(tmp_path / "x.elf"))
    assert "pip install" in told.value.remedy
