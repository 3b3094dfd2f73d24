"""A machine with RAM, a ROM of a test's own, and the card that asks."""

from pathlib import Path
from shutil import copy

MACHINE = """\
name = "Asking"
clock = "1 MHz"
cpu = "{cpu}"
[[card]]
slot = 1
kind = "sram"
select = "00xx xxxx xxxx xxxx"
[card.settings]
size = 16384
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "made-up.bin"
labels = "made-up.labels"
[[card]]
slot = 3
kind = "file:asking_card.py:Asking"
select = "01xx xxxx xxxx xxxx"
lines = {{ INT = "IRQ", EDGE = "NMI" }}
[card.settings]
seed = {seed}
irq = {irq}
nmi = {nmi}
wait = {wait}
"""


def asking(folder: Path, image: bytes, *, cpu="6502", seed=1, irq=0, nmi=0, wait=0, labels="start = $8000\n") -> Path:
    """Its machine file."""
    copy(Path(__file__).with_name("asking_card.py"), folder)
    (folder / "made-up.bin").write_bytes(image)
    (folder / "made-up.labels").write_text(labels)
    path = folder / "machine.toml"
    path.write_text(MACHINE.format(cpu=cpu, seed=seed, irq=irq, nmi=nmi, wait=wait))
    return path


def image(pieces: dict[int, str], nmi=0x8000, reset=0x8000, irq=0x8000) -> bytes:
    """A ROM for $8000 of pieces of code in hexadecimal digits, by address."""
    content = bytearray(b"\xea" * 0x8000)
    for address, code in pieces.items():
        data = bytes.fromhex(code)
        content[address - 0x8000 : address - 0x8000 + len(data)] = data
    content[-6:] = b"".join(vector.to_bytes(2, "little") for vector in (nmi, reset, irq))
    return bytes(content)
