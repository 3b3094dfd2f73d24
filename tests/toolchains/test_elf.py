"""ELF files with DWARF line tables, read through pyelftools."""

import sys
from contextlib import suppress

import pytest

from simkit.contract.errors import SimkitError
from simkit.rom.dwarf import MACHINE_6502
from simkit.rom.labels import read_labels
from simkit.rom.listing import completed, read_listing, read_rows
from tests.toolchains.conftest import places, run
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


def test_an_address_between_two_entries_is_of_the_first_and_the_end_is_of_none(tmp_path):
    """Entries 0x1150 line 4, 0x1154 line 5, 0x115E line 6, 0x1168 line 7, end at 0x116A, as DWARF 5, 6.2.2 says."""
    rows = [(0x1150, 0, 4), (0x1154, 0, 5), (0x115E, 0, 6), (0x1168, 0, 7), (0x116A, 0, None)]
    listing = read_listing(write(tmp_path / "x.elf", version=5, files=FILES, rows=rows))
    assert (listing.row(0x1159).line, listing.row(0x1169).line, listing.row(0x116A)) == (5, 7, None)


@pytest.mark.needs("binutils")
@pytest.mark.parametrize("version", [2, 3, 4, 5])
def test_what_gnu_tools_write_is_read_in_every_version(version, tmp_path):
    """No 6502 tool chain that writes ELF comes as a package: the host's, for 32 bits, with the number of the 6502."""
    lines = {"a": [" .text", " .globl start", "start: nop", " nop", "two: nop"], "b": [" .globl three", "three: nop"]}
    for name, text in lines.items():
        (tmp_path / f"{name}.s").write_text("\n".join(text) + "\n")
        run(tmp_path, "as", "--32", f"--gdwarf-{version}", f"{name}.s", "-o", f"{name}.o")
    run(tmp_path, "ld", "-m", "elf_i386", "-Ttext=0x8000", "-e", "start", "a.o", "b.o", "-o", "x.elf")
    content = bytearray((tmp_path / "x.elf").read_bytes())
    content[18:20] = MACHINE_6502.to_bytes(2, "little")
    (tmp_path / "x.elf").write_bytes(content)
    labels = read_labels(tmp_path / "x.elf")
    assert (labels["start"], labels["two"]) == (0x8000, 0x8002)
    by_line = {
        (row.file.rpartition("/")[2], row.line): (row.address, row.text) for row in read_rows(tmp_path / "x.elf")
    }
    assert by_line == {
        ("a.s", 3): (0x8000, "start: nop"), ("a.s", 4): (0x8001, "nop"), ("a.s", 5): (0x8002, "two: nop"),
        ("b.s", 2): (labels["three"], "three: nop"),
    }  # fmt: skip


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
