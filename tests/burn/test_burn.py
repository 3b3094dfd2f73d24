"""Parts, fitting, sums, files and the patterns of a read-back."""

import random
import signal
import subprocess
import sys
import zlib

import pytest

from simkit import Machine
from simkit.burn.image import Sums, fit, label_text, write_files
from simkit.burn.parts import part_named, part_or_size
from simkit.burn.verify import compare
from simkit.contract.errors import SimkitError

MACHINE = """
name = "Burn bench"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 2
kind = "rom"
select = "{select}"
image = "rom.bin"
[card.settings]
size = {size}
"""


@pytest.fixture
def board(tmp_path):
    """Machine with one ROM of a size, seen from its top."""

    def build(size=32768, content=None):
        random.seed(size)
        content = content or bytes(random.randrange(256) for _ in range(size - 6)) + bytes.fromhex("408000804080")
        (tmp_path / "rom.bin").write_bytes(content)
        bits = {32768: "1xxx xxxx xxxx xxxx", 16384: "11xx xxxx xxxx xxxx"}.get(size, "111x xxxx xxxx xxxx")
        (tmp_path / "machine.toml").write_text(MACHINE.format(select=bits, size=size))
        return Machine.load(tmp_path), content

    return build


def test_check_values_of_crc_32_and_sums():
    """CRC-32 of the nine digits: G. Cook, Catalogue of parametrised CRC algorithms, entry CRC-32/ISO-HDLC, check; of
    the word IEND: W3C, Portable Network Graphics (PNG) Specification, second edition, 2003, where each file ends so
    (both from memory). The sum of the digits is $01DD. Sums of erased parts: sum of all bytes modulo 65 536 over the
    whole device (Advin Systems, Making Good Use of Checksums); 8 and 32 KiB of $FF by arithmetic."""
    assert Sums.of(b"123456789").crc32 == 0xCBF43926
    assert Sums.of(b"IEND").crc32 == 0xAE426082
    assert Sums.of(b"123456789").sum16 == 0x01DD
    assert [Sums.of(b"\xff" * (n << 10)).sum16 for n in (8, 16, 32, 64)] == [0xE000, 0xC000, 0x8000, 0x0000]
    assert Sums.of(b"\xff" * 8192).crc32 == 0xB4293435
    assert Sums.of(b"\xff" * 32768).crc32 == 0x1B43EABD
    assert Sums.of(bytes.fromhex("11802290")).sum16 == 0x0143


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("2716", 2048),
        ("2732", 4096),
        ("27C64", 8192),
        ("27128", 16384),
        ("28C256", 32768),
        ("AT28C256-15PU", 32768),
        ("27512", 65536),
        ("27C010", 131072),
        ("39SF010A", 131072),
        ("SST39SF040", 524288),
        ("28C16", 2048),
    ],
)
def test_sizes_of_parts(name, size):
    """The number on the part is its size in kilobits (common practice; first page of each maker's sheet)."""
    assert part_named(name).size == size


def test_an_unknown_part_gets_the_near_ones_and_the_way_out():
    with pytest.raises(SimkitError) as caught:
        part_named("28C255")
    assert "'28C256'" in caught.value.remedy
    assert "--part 32768" in caught.value.remedy
    assert part_or_size("16384").size == 16384
    assert [part_or_size(text).size for text in ("0x8000", "$2000", "0X400")] == [32768, 8192, 1024]
    assert part_or_size("2716").size == 2048  # a number on a part is no size
    with pytest.raises(SimkitError, match=r"No part has \$8001 bytes"):
        part_or_size("$8001")
    with pytest.raises(SimkitError, match="No part has 5000 bytes"):
        part_or_size("5000")


def test_the_image_fills_its_part_and_names_the_vectors(board):
    """Reset vector of 32 KB at $8000: offset $7FFC (arithmetic)."""
    machine, content = board()
    burn = fit(machine, 2, part_named("28C256"))
    assert burn.images == (content,)
    assert dict(burn.vectors) == {"NMI": 0x8040, "RESET": 0x8000, "IRQ": 0x8040}


def test_a_larger_part_gets_the_content_repeated(board):
    machine, content = board(8192)
    assert fit(machine, 2, part_named("28C256")).images == (content * 4,)


def test_smaller_parts_need_split(board):
    machine, content = board()
    with pytest.raises(SimkitError, match="holds 8192") as caught:
        fit(machine, 2, part_named("27C64"))
    assert "--split" in caught.value.remedy
    assert fit(machine, 2, part_named("27C64"), split=True).images == tuple(
        content[n : n + 8192] for n in range(0, 32768, 8192)
    )


def test_a_larger_part_gets_the_content_at_an_offset(board):
    machine, content = board(8192)
    (image,) = fit(machine, 2, part_named("28C256"), at=0x4000).images
    assert image == b"\xff" * 0x4000 + content + b"\xff" * 0x2000
    with pytest.raises(SimkitError, match=r"do not fit into a 28C256") as caught:
        fit(machine, 2, part_named("28C256"), at=0x8000)
    assert "$06000" in caught.value.remedy
    with pytest.raises(SimkitError, match="not a multiple"):
        fit(machine, 2, part_named("28C256"), at=0x1000)


@pytest.mark.parametrize("at", [-0x8000, -1, -65_536])
def test_an_offset_before_the_part_is_refused(at, board):
    machine, _ = board()
    with pytest.raises(SimkitError, match="is no offset in a part"):
        fit(machine, 2, part_named("28C256"), at=at)


@pytest.mark.parametrize("text", ["0", "1", "0x0", "0x1", "$0", "0x200", "1023", "3000", "2097152", "-32768", "9" * 12])
def test_a_part_of_a_size_that_no_part_has_is_refused(text):
    with pytest.raises(SimkitError, match=r"No part has|is no part that is known"):
        part_or_size(text)


def test_a_repeating_content_fits_a_smaller_part_without_split(board):
    machine, content = board(content=bytes(range(256)) * 128)
    assert fit(machine, 2, part_named("27C64")).images == (content[:8192],)


@pytest.mark.parametrize("size", [8192, 16384])
def test_sixteen_kilobytes_split_into_two_of_eight(board, size, tmp_path):
    machine, content = board(16384)
    paths = write_files(fit(machine, 2, part_or_size(str(size)), split=True), tmp_path / "out.bin").files
    assert [path.name for path in paths] == (["out-1.bin", "out-2.bin"] if size == 8192 else ["out.bin"])
    assert b"".join(path.read_bytes() for path in paths) == content


def test_a_slot_without_rom_names_those_with_one(board):
    machine, _ = board()
    with pytest.raises(SimkitError, match="no card in slot 5"):
        fit(machine, 5, part_named("28C256"))


@pytest.mark.parametrize("suffix", [".bin", ".hex", ".s19"])
def test_a_written_image_reads_back_the_same(board, suffix, tmp_path):
    from simkit.rom.images import read_image

    machine, content = board()
    (path,) = write_files(fit(machine, 2, part_named("28C256")), tmp_path / f"out{suffix}").files
    assert read_image(path, 32768) == content
    assert sorted(p.name for p in tmp_path.iterdir()) == ["machine.toml", f"out{suffix}", "rom.bin"]


def test_a_failed_write_leaves_nothing_under_the_final_name(board, tmp_path, monkeypatch):
    machine, _ = board()
    (tmp_path / "out.bin").write_bytes(bytes(32768))

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(SimkitError, match="No space left"):
        write_files(fit(machine, 2, part_named("28C256")), tmp_path / "out.bin")
    assert (tmp_path / "out.bin").read_bytes() == bytes(32768)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["machine.toml", "out.bin", "rom.bin"]


@pytest.mark.needs("SIGKILL")
@pytest.mark.parametrize("moment", ["write", "fsync"])
def test_a_process_killed_while_it_writes_leaves_the_old_file_whole(board, tmp_path, moment):
    board()
    out = tmp_path / "out.hex"
    out.write_bytes(b":00000001FF\n")
    script = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "import simkit.burn.image as image\n"
        "from simkit import Machine\n"
        "from simkit.burn.parts import part_named\n"
        "def die(*arguments):\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        f"{'os.fsync = die' if moment == 'fsync' else 'image.write_image = die'}\n"
        f"machine = Machine.load({str(tmp_path)!r})\n"
        f"image.write_files(image.fit(machine, 2, part_named('28C256')), Path({str(out)!r}))\n"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False, timeout=30).returncode == -signal.SIGKILL
    assert out.read_bytes() == b":00000001FF\n"


def test_a_folder_that_is_not_there_is_told(board, tmp_path):
    machine, _ = board()
    with pytest.raises(SimkitError, match="cannot be written"):
        write_files(fit(machine, 2, part_named("28C256")), tmp_path / "nowhere" / "out.bin")


def test_the_label_fits_its_width(board):
    machine, content = board()
    text = label_text(fit(machine, 2, part_named("28C256")), 0, "2026-05-01")
    assert f"sum {sum(content) & 0xFFFF:04X} 2026-05-01" in text
    assert len({len(line) for line in text.splitlines()}) == 1


# read-back ------------------------------------------------------------------------------------------------------------

random.seed(8)
CONTENT = bytes(random.randrange(256) for _ in range(8192 - 6)) + bytes.fromhex("408000804080")
PADDED = CONTENT[:3000] + b"\xff" * (8192 - 3006) + CONTENT[-6:]
HALF = CONTENT[:4000] + b"\xff" * 4192


def swap(number, one, other):
    return number ^ (1 << one | 1 << other) if (number >> one ^ number >> other) & 1 else number


def mapped(source, content=CONTENT):
    return bytes(content[source(n)] for n in range(len(content)))


def test_an_equal_dump_has_no_difference():
    assert compare(CONTENT, CONTENT).differences == 0


@pytest.mark.parametrize(
    ("name", "words", "expected", "dump"),
    [
        ("blank", "$FF", CONTENT, b"\xff" * 8192),
        ("blank", "$00", CONTENT, bytes(8192)),
        ("data-bits-stuck", "D3 reads 0", CONTENT, bytes(b & ~8 for b in CONTENT)),
        ("data-bits-stuck", "D0, D7 read 1", CONTENT, bytes(b | 0x81 for b in CONTENT)),
        ("address-line-stuck", "A5 is stuck at 0", CONTENT, mapped(lambda n: n & ~0x20)),
        ("address-line-stuck", "A11 is stuck at 1", CONTENT, mapped(lambda n: n | 0x800)),
        ("halves-equal", "lower half", CONTENT, mapped(lambda n: n & 0xFFF)),
        ("halves-equal", "upper half", CONTENT, mapped(lambda n: n | 0x1000)),
        ("address-lines-stuck", "A11 at 1, A12 at 0", CONTENT, mapped(lambda n: n & 0x7FF | 0x800)),
        ("address-lines-stuck", "A0 at 0, A5 at 1, A9 at 1", CONTENT, mapped(lambda n: n & ~0x221 | 0x220)),
        ("address-lines-swapped", "A3 and A9", CONTENT, mapped(lambda n: swap(n, 3, 9))),
        ("blocks-exchanged", "A12 is inverted", CONTENT, mapped(lambda n: n ^ 0x1000)),
        ("data-lines-swapped", "D3 and D4", CONTENT, bytes(swap(b, 3, 4) for b in CONTENT)),
        ("data-lines-reversed", "reverse", CONTENT, bytes(int(f"{b:08b}"[::-1], 2) for b in CONTENT)),
        ("shifted", "1 byte later", CONTENT, b"\x55" + CONTENT[:-1]),
        ("shifted", "16 bytes earlier", CONTENT, CONTENT[16:] + b"\xff" * 16),
        ("shifted", "$0800 bytes later", HALF, b"\xff" * 2048 + CONTENT[:4000] + b"\xff" * 2144),
        ("few-bits", "Only 1 bit of", CONTENT, bytes([CONTENT[0] ^ 0x10]) + CONTENT[1:]),
        ("few-bits", "Only 5 bits of", CONTENT, CONTENT[:9] + bytes([CONTENT[9] ^ 0x1F]) + CONTENT[10:]),
        ("inverted", "inverted", CONTENT, bytes(b ^ 0xFF for b in CONTENT)),
        ("size", "equals the end", CONTENT, CONTENT[4096:]),
        ("size", "as far as both go", CONTENT, CONTENT + bytes(8192)),
    ],
)
def test_a_pattern_is_named(name, words, expected, dump):
    """The ways parts, sockets and programmers go wrong (common practice)."""
    result = compare(expected, dump)
    assert result.differences
    assert [pattern.name for pattern in result.patterns] == [name]
    assert words in result.patterns[0].what


def test_the_other_part_of_a_split_is_named_before_any_fault_of_the_part():
    """The first half of a zeroed page is all bits that were cleared, as if it had not been erased."""
    first, second = bytes(4096), CONTENT[4096:]
    assert [p.name for p in compare(second, first, {1: first}).patterns] == ["another-part"]
    assert [p.name for p in compare(second, first).patterns] == ["blank"]
    worn = bytes([first[0] ^ 1]) + first[1:]
    assert "another-part" not in [p.name for p in compare(second, worn, {1: first}).patterns]


def test_a_part_that_was_not_erased_is_named():
    old = bytes(random.randrange(256) for _ in range(8192))
    dump = bytes(new & before for new, before in zip(PADDED, old, strict=True))
    assert [p.name for p in compare(PADDED, dump).patterns] == ["not-erased"]


def test_a_part_that_did_not_take_everything_is_named():
    dump = bytearray(CONTENT)
    for n in range(100, 200):
        dump[n] = 0xFF
    assert [p.name for p in compare(CONTENT, bytes(dump)).patterns] == ["not-programmed"]


def test_scattered_differences_get_no_wrong_name():
    dump = bytearray(CONTENT)
    for n in (3, 500, 501, 7000):
        dump[n] ^= 0x5A
    result = compare(CONTENT, bytes(dump))
    assert result.differences == 4
    assert [at for at, _, _ in result.first] == [3, 500, 501, 7000]
    assert result.patterns == ()


def test_a_real_dump_of_zip_sums_agrees():
    """The standard library's CRC is that of zip files; the sum printed must be the same."""
    assert Sums.of(CONTENT).crc32 == zlib.crc32(CONTENT)
