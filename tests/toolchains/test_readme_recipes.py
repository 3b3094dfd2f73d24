"""What the README tells people to type for ca65 and for 64tass gives a ROM with labels and source lines, as it is."""

import re
import shlex

import pytest

from simkit import Machine
from tests.commands.test_readme import README, blocks
from tests.toolchains.conftest import run

SOURCES = {
    "ca65": (
        "main.s",
        " .zeropage\ncount: .res 1\n .bss\nroom: .res 2\n .code\nnmi:\nirq: rti\nreset: ldx #$FF\n txs\n stz count\n"
        '@again: inc count\n bra @again\n .rodata\n .byte 1\n .segment "VECTORS"\n .word nmi, reset, irq\n',
    ),
    "64tass": (
        "main.asm",
        "count = $10\n* = $8000\nnmi\nirq rti\nreset ldx #$FF\n txs\n stz count\nagain inc count\n bra again\n"
        "* = $FFFA\n .word nmi, reset, irq\n",
    ),
}
MACHINE = """\
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "A15"
image = "main.bin"
labels = "{labels}"
"""


@pytest.mark.parametrize(
    ("tool", "labels", "line"),
    [
        pytest.param("ca65", "main.dbg", 11, marks=pytest.mark.needs("cc65")),
        pytest.param("64tass", "main.labels", 8, marks=pytest.mark.needs("64tass")),
    ],
)
def test_the_lines_of_the_readme_give_a_rom_that_runs_with_labels_and_lines(tool, labels, line, tmp_path):
    name, source = SOURCES[tool]
    (tmp_path / name).write_text(source)
    (tmp_path / "rom.cfg").write_text(*blocks("cfg"))
    for command in re.findall(r"^(?:ca65|ld65) .*" if tool == "ca65" else r"^64tass .*", README, re.MULTILINE):
        run(tmp_path, *shlex.split(command))
    assert (tmp_path / "main.bin").stat().st_size == 0x8000
    (tmp_path / "machine.toml").write_text(MACHINE.format(labels=labels))
    machine = Machine.load(tmp_path)
    machine.run('label:"reset@again"' if tool == "ca65" else "label:again", timeout=0.001)
    place = machine.place(machine.cpu.pc)
    assert (place.file.endswith(name), place.line, place.source.split()[1:]) == (True, line, ["inc", "count"])
    assert not machine.notes
