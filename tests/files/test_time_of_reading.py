"""Twice the file takes about twice the time, whatever kind of file it is and however it is made; and never long."""

import json
import struct
import time
import zlib

import pytest

from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description
from simkit.outside.recording import read_recording
from simkit.outside.serial_host import Paste
from simkit.rom.images import read_image
from simkit.rom.labels import read_labels
from simkit.rom.listing import read_listing
from simkit.testing.coverage import Counts
from simkit.testing.golden import read_numbers


def record(address, data, kind=0):
    """An Intel HEX record."""
    content = bytes([len(data)]) + address.to_bytes(2, "big") + bytes([kind]) + data
    return f":{(content + bytes([-sum(content) & 0xFF])).hex().upper()}\n"


def islands(count, step):
    """Records of one byte, each beside the next or apart from it, in an order that jumps to and fro."""
    banks = [[] for _ in range(1 + count * step // 0x10000)]
    for number in range(count):
        address = number * 7919 % count * step
        banks[address >> 16].append(record(address & 0xFFFF, b"x"))
    parts = [record(0, bank.to_bytes(2, "big"), 4) + "".join(records) for bank, records in enumerate(banks)]
    return "".join(parts) + record(0, b"", 1)


def s_records(count):
    """Records of four bytes, the later ones before the earlier."""
    lines = []
    for number in reversed(range(count)):
        content = bytes([8]) + (number * 8).to_bytes(3, "big") + b"abcd"
        lines.append(f"S2{(content + bytes([~sum(content) & 0xFF])).hex()}\n")
    return "".join(lines) + "S804000000FB\n"


def chunk(name, body):
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def picture(rows, kind, pieces=1):
    """A picture 512 pixels wide with one kind of filter, its pixels in so many pieces."""
    packed = zlib.compress(
        b"".join(bytes([kind]) + bytes((row * 7 + n * 13) & 0xFF for n in range(512)) for row in range(rows))
    )
    size = -(-len(packed) // pieces)
    data = b"".join(chunk(b"IDAT", packed[at : at + size]) for at in range(0, len(packed), size))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 512, rows, 8, 3, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + data + chunk(b"IEND", b"")


def counts(number):
    tables = {name: {f"{address:04X}": 1 << 40 for address in range(number)} for name in ("ran", "taken", "passed")}
    return json.dumps({"format": "simkit-coverage", "version": 1, "program": "0" * 64, **tables})


LD65 = (
    'version\tmajor=2,minor=0\nfile\tid=0,name="a.s",size=1\n'
    'seg\tid=0,name="C",start=0x0000,size=0x10000,oname="o",ooffs=0\n'
)
SPAN = "span\tid={0},seg=0,start={0},size={1}\n"
LINE = "line\tid={0},file=0,line=1,span={0}\n"
TASS = "; 64tass Turbo Assembler Macro listing file\n;Offset\t;Hex\t;Monitor\t;Source\n;******  Processing file: a.s\n"
QUOTES = 'a="' * 3200
SOURCE = "put .macro\n nop\n .endm\n" + " nop\n put\n" * 3_000
"""Of those that name a.s, beside which it lies."""
TOP = 'clock = "1 MHz"\n'
KINDS = {
    "labels": (read_labels, "a.labels", lambda n: "".join(f"n{i} = ${i & 0xFFFF:X}\n" for i in range(n // 12))),
    "labels, one name": (read_labels, "a.labels", lambda n: "a=$1\n" * (n // 5)),
    "labels, comments": (read_labels, "a.labels", lambda n: ";\n" * (n // 2)),
    "labels, blank lines": (read_labels, "a.labels", lambda n: f"{' ' * 9000}\n" * (n // 9001)),
    "labels, blanks": (read_labels, "a.labels", lambda n: f"A{' ' * 9000}= $1{' ' * 900};\n" * (n // 9906)),
    "labels, CSV": (read_labels, "a.labels", lambda n: f"A,{' ' * 5000}$1,{',' * 4000}\n" * (n // 9006)),
    "map": (read_labels, "a.map", lambda n: "".join(f"${i & 0xFFFF:X} | n{i} | x:{i}\n" for i in range(n // 25))),
    "map, many sources": (read_labels, "a.map", lambda n: "".join(f"$1 | n{i} | x{i}:1\n" for i in range(n // 20))),
    "listing": (read_listing, "a.lst", lambda n: "$8000  A2 FF  x.asm:1  lda #1\n" * (n // 30)),
    "listing, many sources": (
        read_listing,
        "a.lst",
        lambda n: "".join(f"$1000  A2 x{i}:1 x\n" for i in range(n // 20)),
    ),
    "listing, of the assembler": (read_listing, "a.lst", lambda n: "8000  A2 FF  LDA #1\n" * (n // 20)),
    "listing, other lines": (read_listing, "a.lst", lambda n: "x\n" * (n // 2) + "8000  A2\n"),
    "listing, words": (read_listing, "a.lst", lambda n: f"8000  A2  {'a: ' * 3000}\n" * (n // 9011)),
    "ld65, lines over each other": (
        read_listing,
        "a.dbg",
        lambda n: LD65 + "".join(f"{SPAN.format(i, 65535)}{LINE.format(i)}" for i in range(n // 75)),
    ),
    "ld65, scopes in scopes": (
        read_labels,
        "a.dbg",
        lambda n: (
            LD65 + "".join(f'sym\tid={i},name="abcdefgh",parent={i + 1},val=1,type=lab\n' for i in range(n // 55))
        ),
    ),
    "ld65, many sources": (
        read_labels,
        "a.dbg",
        lambda n: LD65 + "".join(f'file\tid={i},name="d/{i}.s",size=1\n' for i in range(1, n // 40)),
    ),
    "ld65, fields": (read_labels, "a.dbg", lambda n: LD65 + f"sym\t{QUOTES}\n" * (n // 9605)),
    "ld65, label list": (
        read_labels,
        "a.lbl",
        lambda n: "".join(f"al {i & 0xFFFF:06X} .@{i}\n" for i in range(n // 16)),
    ),
    "ld65, map": (
        read_labels,
        "a.map",
        lambda n: f"Modules list:\nExports list by name:\n{'a 008000 LA ' * 800}\n" * (n // 9700),
    ),
    "ld65, map of long words": (
        read_labels,
        "a.map",
        lambda n: "Modules list:\nExports list by name:\n" + f"{'x' * 9000}\n" * (n // 9001),
    ),
    "64tass, includes": (read_listing, "a.lst", lambda n: (TASS + ".8000\tea\tnop\tnop\n") * (n // 130)),
    "64tass, labels": (
        read_labels,
        "a.lst",
        lambda n: "".join(f"a{i}.asm:{i}:1: n{i} = $8000\n" for i in range(n // 30)),
    ),
    "vasm": (read_listing, "a.lst", lambda n: 'Source: "a.s"\n' + "00:8000 EA\t     3: nop\n" * (n // 24)),
    "vasm, symbols": (
        read_labels,
        "a.lst",
        lambda n: f'Source: "a.s"\nSymbols by name:\n{"b " * 4900}\n' * (n // 9850),
    ),
    "hex": (lambda path: read_image(path, 1 << 20), "a.hex", lambda n: islands(n // 14, 1)),
    "hex, islands": (lambda path: read_image(path, 1 << 20), "a.hex", lambda n: islands(n // 14, 3)),
    "hex, empty records": (lambda path: read_image(path, 1024), "a.hex", lambda n: ":0000000000\n" * (n // 12)),
    "S-records": (lambda path: read_image(path, 1 << 20), "a.s19", lambda n: s_records(n // 23)),
    "raw": (lambda path: read_image(path, 1 << 22), "a.bin", lambda n: "x" * n),
    "paste": (Paste.read, "a.txt", lambda n: "x\n" * (n // 2)),
    "machine": (
        read_description,
        "machine.toml",
        lambda n: (
            TOP
            + "".join(f'[[card]]\nslot = {i}\nkind = "x"\n' for i in range(n // 400))
            + f"#{' ' * 98}\n" * (n // 1000)
        ),
    ),
    "machine, keys": (read_description, "machine.toml", lambda n: TOP + "".join(f"k{i} = 1\n" for i in range(n // 80))),
    "machine, arrays": (
        read_description,
        "machine.toml",
        lambda n: TOP + "".join(f"k{i} = [{'1, ' * 1000}]\n" for i in range(n // 20_000)),
    ),
    "counts": (Counts.from_json, "a.json", lambda n: counts(n // 60)),
    "picture": (read_numbers, "a.png", lambda n: picture(n // 2000, 4)),
    "picture in pieces": (read_numbers, "a.png", lambda n: picture(n // 2000, 0, n // 4)),
    "recording": (read_recording, "a.rec", lambda n: "[" + "1," * (n // 2) + "1]"),
}
"""Reader, name of the file, and how it is made, by its size in bytes."""
SIZE = 250_000
LONG_SECONDS = 2


def seconds(read, path):
    """Processor time for reading the file."""
    told = ""
    before = time.process_time()
    try:
        read(path)
    except SimkitError as error:
        told = str(error)
    taken = time.process_time() - before
    assert "are allowed" not in told, "a file that is too large is not looked at"
    return taken


@pytest.mark.parametrize(("read", "name", "make"), KINDS.values(), ids=KINDS)
def test_twice_the_file_takes_about_twice_the_time(read, name, make, tmp_path):
    """Quadratic would be four times. What takes less than 4 ms says nothing: the clock is too coarse.

    The shorter time of two is compared with the shortest of up to eight: many may meet another program's work.
    """

    def write(size):
        content = make(size)
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())

    (tmp_path / "a.s").write_text(SOURCE)
    write(SIZE)
    once = min(seconds(read, tmp_path / name) for _ in range(2))
    write(2 * SIZE)
    most = min(3 * max(once, 0.004), LONG_SECONDS)
    assert any(seconds(read, tmp_path / name) < most for _ in range(8))
