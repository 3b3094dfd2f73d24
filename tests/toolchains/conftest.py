"""Small programs of one and the same shape for each assembler, assembled by the assembler itself."""

import subprocess

import pytest

LD65_CONFIG = """
MEMORY {
  ZP: start = $10, size = $40, type = rw;
  ROM: start = $8000, size = $8000, type = ro, fill = yes, fillval = $FF, file = %O;
}
SEGMENTS {
  ZEROPAGE: load = ZP, type = zp;
  CODE: load = ROM, type = ro;
  VECTORS: load = ROM, type = ro, start = $FFFA;
}
"""


def run(folder, *words):
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.fixture
def ca65(tmp_path):
    """Function that assembles sources by name with `ca65 -g` and links them into rom.bin, rom.dbg, rom.lbl, rom.map."""

    def build(config=LD65_CONFIG, **sources):
        for name, text in {"rom.cfg": config, **{f"{n}.s": text for n, text in sources.items()}}.items():
            if "include_" not in name:
                (tmp_path / name).write_text(text)
            else:
                (tmp_path / name.removeprefix("include_").replace(".s", ".inc")).write_text(text)
        objects = [name for name in sources if "include_" not in name]
        for name in objects:
            run(tmp_path, "ca65", "-g", f"{name}.s", "-o", f"{name}.o")
        outputs = ["-o", "rom.bin", "--dbgfile", "rom.dbg", "-Ln", "rom.lbl", "-m", "rom.map"]
        run(tmp_path, "ld65", "-C", "rom.cfg", *outputs, *(f"{name}.o" for name in objects))
        return tmp_path

    return build


@pytest.fixture
def tass(tmp_path):
    """Function that assembles main.asm, with other files beside it, into rom.bin, rom.labels and rom.lst."""

    def build(*options, **sources):
        for name, text in sources.items():
            (tmp_path / f"{name}.asm").write_text(text)
        run(
            tmp_path,
            "64tass",
            "-q",
            "-b",
            "-o",
            "rom.bin",
            "--labels=rom.labels",
            "--list=rom.lst",
            *options,
            "main.asm",
        )
        return tmp_path

    return build


def places(rows):
    """(address, bytes, file's name, line, whether it is code) of rows, by address."""
    return [
        (row.address, row.length, row.file.rpartition("/")[2], row.line, row.code)
        for row in sorted(rows, key=lambda row: row.address)
    ]
