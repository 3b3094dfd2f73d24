"""A file of another kind than was meant is told by its name and line; not a word of it stands in any message.

Whoever shows such a message, or gives it to somebody, or has a machine folder of a stranger run by a service, would
else hand out pieces of files that are nobody's business.
"""

import json
import os
import re

import pytest

from simkit.commands.new import write_machine
from simkit.contract.errors import SimkitError
from simkit.hands.controls import read_controls
from simkit.machinefile.read import read_description
from simkit.machinefile.tomlfile import read_toml
from simkit.outside.recording import read_recording
from simkit.outside.serial_host import Paste
from simkit.rom.images import read_image, read_segments
from simkit.rom.labels import read_labels
from simkit.rom.listing import read_listing
from simkit.testing.coverage import Counts
from simkit.testing.golden import read_numbers

SECRET = "zqxj"
"""In every word of the files that must not be told."""
FOREIGN = {
    "accounts": f"root{SECRET}:x:0:0:root{SECRET}:/root{SECRET}:/bin/{SECRET}sh\n",
    "hashes": f"root{SECRET}:$6${SECRET}$h:19000:0:99999:7:::\n",
    "environment": f'PORT{SECRET}=8080\nPIN{SECRET} = 98765\nKEY{SECRET}="{SECRET}abc"\n',
    "shell script": f"#!/bin/sh\nX{SECRET}=$1\nY = $1234\nPASSWORD{SECRET}={SECRET}\n",
    "same name twice": f"A{SECRET} = $1\nA{SECRET} = $2\n",
    "great number": f"A = $1\nPIN{SECRET} = $12345\n",
    "list with numbers": f"A = $1\nname{SECRET},4711\n",
    "table": f"name,pin\n{SECRET},4711\n",
    "credentials": f'[registry{SECRET}]\ntoken{SECRET} = "{SECRET}"\n',
    "twice in a table": f'{SECRET} = "{SECRET}"\n{SECRET} = 1\n',
    "header twice": f"[a.{SECRET}]\n[a.{SECRET}]\n",
    "namespace": f'a.{SECRET} = 1\n[a]\n{SECRET} = "x"\n',
    "inline twice": f"a = {{ {SECRET} = 1, {SECRET} = 2 }}\n",
    "settings": f"[core]\n\t{SECRET} = {SECRET}\n",
    "json": json.dumps({"format": f"x{SECRET}", "token": SECRET, "version": SECRET}),
    "json list": json.dumps([SECRET] * 5),
    "json of numbers": json.dumps({"ran": {f"{SECRET}": 1}}),
    "key": f"-----BEGIN KEY-----\n{SECRET * 10}\n-----END KEY-----\n",
    "hex": f":{SECRET}\n",
    "s-records": f"S1{SECRET}\n",
    "hex with a word behind": f":0100000055AA\n{SECRET}\n",
    "row": f"$8000  A9 {SECRET}\n",
    "row of a listing": f"$8000  A9 01   x.asm:1  lda\n$8002  A9 {SECRET}\n",
    "one line": SECRET,
    "long line": SECRET * 5000,
    "latin-1": f"{SECRET}\xe4\n".encode("latin-1"),
    "utf-16": f"{SECRET}\n".encode("utf-16"),
    "binary": bytes(range(256)) + SECRET.encode() + b"\0" * 32,
    "picture": b"\x89PNG\r\n\x1a\n\0\0\0\x04" + SECRET.encode() + b"x" * 30,
}
TOLD = re.compile(rf"{SECRET}|98765|4711|{SECRET.encode().hex()}|{' '.join(f'{b:02X}' for b in SECRET.encode())}", re.I)
READERS = {
    "image": lambda path: read_image(path, 32),
    "hex file": lambda path: read_segments(path.rename(path.with_suffix(".hex"))),
    "labels": read_labels,
    "listing": read_listing,
    "machine": read_description,
    "toml": lambda path: read_toml(path, "file", ("known",)),
    "controls": read_controls,
    "recording": read_recording,
    "counts": Counts.from_json,
    "picture": read_numbers,
    "paste": Paste.read,
}


@pytest.fixture
def foreign(tmp_path):
    def put(kind, name="file"):
        content = FOREIGN[kind]
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        return tmp_path / name

    return put


@pytest.mark.parametrize("kind", FOREIGN)
@pytest.mark.parametrize("reader", READERS)
def test_no_reader_tells_a_word_of_a_file_of_another_kind(reader, kind, foreign):
    try:
        READERS[reader](foreign(kind))
    except SimkitError as error:
        told = f"{error}\n{json.dumps(error.as_dict())}"
    else:
        told = ""
    assert not TOLD.search(told)


COMMANDS = (
    "run FILE --headless",
    "run M --headless --for 1c --image 2=FILE --strict",
    "run M --headless --for 1c --labels FILE",
    "run M --headless --for 1c --replay FILE",
    "run M --headless --for 1c --png FILE.png",
    "check M --for 1c --accepted FILE",
    "check M --for 1c --labels FILE",
    "check M --for 1c --sarif FILE",
    "burn M --part 28C256 --verify FILE",
    "burn M --part 28C256 --verify FILE.hex",
    "burn M --part 28C256 --out FILE",
    "coverage M --for 1c --merge FILE",
    "coverage M --for 1c --save FILE --html FILE",
    "controls --controls FILE",
    "controls FILE",
    "cards file:FILE:Card",
)


@pytest.mark.parametrize("kind", ["accounts", "environment", "shell script", "credentials", "json", "hex", "binary"])
@pytest.mark.parametrize("line", COMMANDS)
def test_no_command_tells_a_word_of_a_file_of_another_kind(line, kind, foreign, tmp_path, simkit):
    write_machine(tmp_path / "m")
    path = foreign(kind)
    for ending in (".hex", ".png"):
        foreign(kind, f"file{ending}")
    told = "".join(simkit(*line.replace("FILE", str(path)).replace(" M ", f" {tmp_path / 'm'} ").split())[1:])
    assert not TOLD.search(told), told


@pytest.mark.parametrize("kind", ["accounts", "shell script", "credentials", "hex"])
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('image = "hello.bin"', 'image = "FILE"'),
        ('image = "hello.bin"', 'image = "FILE.hex"'),
        ('labels = "hello.labels"', 'labels = "FILE"'),
        ('labels = "hello.labels"', 'labels = "FILE.labels"'),  # beside which the listing lies
        ('cpu = "65C02"', 'base = "FILE"'),
    ],
)
def test_a_machine_file_that_leads_elsewhere_has_nothing_told_from_there(old, new, kind, foreign, tmp_path, simkit):
    write_machine(tmp_path / "m")
    path = foreign(kind)
    foreign(kind, "file.hex")
    foreign(kind, "file.lst")
    (tmp_path / "file.labels").write_text("main = $8000\n")
    (tmp_path / "outside").symlink_to(path)
    file = tmp_path / "m" / "machine.toml"
    file.write_text(file.read_text().replace(old, new.replace("FILE", os.fspath(path))))
    told = "".join(simkit("check", tmp_path / "m", "--for", "1c")[1:])
    assert not TOLD.search(told), told
