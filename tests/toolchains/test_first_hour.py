"""The first hour of somebody who assembles with a common assembler: machine file, `simkit check`, coverage, pytest.

Nothing is glued: the machine file names what the assembler wrote, and every report names lines of the sources.
"""

import json
import os
import subprocess
import sys

import pytest

from tests.shed import SHED

MACHINE = SHED + 'image = "rom.bin"\nlabels = "{labels}"\n'
CA65_MAIN = """\
        .include "io.inc"
        .zeropage
cnt:    .res 1
        .code
start:  ldx #$ff
        txs
@loop:  inc cnt
        store cnt
        jsr delay
        jmp @loop
        .segment "VECTORS"
        .word start, start, start
"""
CA65_IO = "OUT = $0300\n        .macro store what\n        lda what\n        sta OUT\n        .endmacro\n"
CA65_DELAY = """\
        .export delay
        .code
.proc delay
        ldy #3
@d:     dey
        bne @d
        rts
.endproc
"""
TASS_MAIN = """\
cnt = $10
store   .macro
        lda \\1
        sta $0300
        .endm
* = $8000
start:  ldx #$ff
        txs
_loop   inc cnt
        #store cnt
        jsr delay
        jmp _loop
        .include "delay.asm"
        .fill $fffa-*, $ff
        .word start, start, start
"""
TASS_DELAY = "delay   .proc\n        ldy #3\nd       dey\n        bne d\n        rts\n        .pend\n"
TEST = """\
import pytest

pytestmark = pytest.mark.machine(".")


def test_counts(machine):
    machine.run(label="delay", timeout=0.1)
    assert machine.peek(0x0300) == "a number that it is not"
"""


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    from simkit.commands.main import main

    monkeypatch.chdir(tmp_path)

    def command(*words):
        with pytest.raises(SystemExit) as ended:
            main(list(words))
        return ended.value.code, *capsys.readouterr()

    return command


def the_first_hour(folder, run, labels, main, delay, lines):
    """`lines`: of the instruction that reads what was never written, of the macro call, of `bne`; names of labels."""
    folder.joinpath("machine.toml").write_text(MACHINE.format(labels=labels))
    code, told, notes = run("check", ".", "--for", "2ms")
    assert (code, notes) == (1, "")
    assert told.startswith(f"{main}:{lines['reads']}: error: never-written: $0010 (cnt)")
    code, told, _ = run("check", ".", "--for", "2ms", "--json")
    (found,) = [one for one in json.loads(told)["findings"] if one["rule"] == "never-written"]
    assert (found["file"], found["line"]) == (main, lines["reads"])
    code, told, _ = run("coverage", ".", "--for", "2ms", "--json", "--html", "page.html")
    rows = json.loads(told)
    assert (code, rows["total"]["ran"], rows["total"]["instructions"]) == (0, 11, 11)
    assert "delay" in {row["label"] for row in rows["labels"]}
    page = (folder / "page.html").read_text()
    assert {f"<th colspan=5>{name}" in page for name in (main, delay)} == {True}
    code, _, _ = run("coverage", ".", "--for", "2ms", "--lcov", "lines.info")
    covered = (folder / "lines.info").read_text()
    of_file = {name: covered.partition(f"{name}\n")[2].partition("end_of_record")[0] for name in (main, delay)}
    assert f"DA:{lines['call']}," in of_file[main]
    assert f"DA:{lines['branch']}," in of_file[delay]
    folder.joinpath("test_it.py").write_text(TEST)
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_it.py"]
    failed = subprocess.run(words, cwd=folder, capture_output=True, text=True, env=dict(os.environ))
    assert failed.returncode == 1
    assert f"{main}:{lines['call']}" in failed.stdout
    assert f"{main}:{lines['reads']}" in failed.stdout


@pytest.mark.needs("cc65")
def test_with_ca65_and_ld65(ca65, tmp_path, run):
    ca65(main=".import delay\n" + CA65_MAIN, delay=CA65_DELAY, include_io=CA65_IO)
    the_first_hour(tmp_path, run, "rom.dbg", "main.s", "delay.s", {"reads": 8, "call": 9, "branch": 6})


@pytest.mark.needs("64tass")
def test_with_64tass(tass, tmp_path, run):
    tass(main=TASS_MAIN, delay=TASS_DELAY)
    the_first_hour(tmp_path, run, "rom.labels", "main.asm", "delay.asm", {"reads": 9, "call": 10, "branch": 4})
