"""Every kind of text file is read as any system's editors leave it, and told what it is when it is no UTF-8 text."""

import json

import pytest

from simkit.check.result.accept import read_accepted
from simkit.contract.errors import SimkitError
from simkit.hands.controls import read_controls
from simkit.machinefile.read import read_description
from simkit.outside.serial_host import Paste
from simkit.rom.images import read_segments
from simkit.rom.labels import read_labels
from simkit.rom.listing import read_listing
from simkit.testing.coverage import Counts

COUNTS = {"format": "simkit-coverage", "version": 1, "program": "0" * 64, "ran": {"8000": 1}, "taken": {}, "passed": {}}
MACHINE = '# ä\nname = "Möhren"\nclock = "1 MHz"\n\n[[card]]\nslot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\n'
KINDS = {
    "labels": (read_labels, "a.labels", "; ä\nA = $1\n\nB = $2 ; ö\n", dict),
    "map": (read_labels, "a.map", "$8000 | a | ä.asm:1\n$8001 | b | ä.asm:2\n", dict),
    "CSV": (read_labels, "a.csv", "name,address\nA,$1\nB,$2,ä\n", dict),
    "listing": (read_listing, "a.lst", "Möhren\n8000  A2 FF  LDX #$FF ; ä\n", lambda found: found.rows),
    "Intel HEX": (read_segments, "a.hex", ":0100000055AA\n:00000001FF\n", list),
    "S-records": (read_segments, "a.s19", "S104000055A6\nS9030000FC\n", list),
    "machine": (
        read_description,
        "machine.toml",
        MACHINE,
        lambda found: (found.name, len(found.cards)),
    ),
    "controls": (
        read_controls,
        "controls.toml",
        '# ä\nbar_key = "f5"\n\ndead_zone = 0.5\n',
        lambda found: found.dead_zone,
    ),
    "accepted": (
        read_accepted,
        "accepted.toml",
        '[[accept]]\nrule = "x"\nreason = "so ä"\n',
        lambda found: found[0].reason,
    ),
    "counts": (Counts.from_json, "a.json", json.dumps(COUNTS, indent=1), lambda found: found.ran),
}
"""Reader, name, a sound text, and what of it is compared."""


@pytest.fixture(params=KINDS)
def kind(request):
    return KINDS[request.param]


@pytest.mark.parametrize("mark", ["", "\ufeff"], ids=["", "mark"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_ends_of_lines_and_a_mark_before_them_make_no_difference(mark, end, kind, tmp_path):
    read, name, text, seen = kind
    (tmp_path / name).write_bytes(text.encode())
    plain = str(seen(read(tmp_path / name)))
    (tmp_path / name).write_bytes((mark + text.replace("\n", end)).encode())
    assert str(seen(read(tmp_path / name))) == plain


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: text.encode("utf-16"), "UTF-16"),
        (lambda text: text.encode("utf-32"), "UTF-16 or UTF-32"),
        (lambda text: text.encode("utf-16-le"), "NUL byte"),
        (lambda text: text.encode() + b"\n\0", "NUL byte"),
        (lambda text: text.encode() + b"\n\xff", "not UTF-8"),
        (lambda text: text.encode() + "\nä".encode("latin-1"), "not UTF-8"),
        (lambda text: b"\xc0\x80" + text.encode(), "not UTF-8"),
        (lambda text: text.encode() + b"\n\xed\xa0\x80", "not UTF-8"),
    ],
    ids=["UTF-16", "UTF-32", "UTF-16 without a mark", "NUL", "byte", "Latin-1", "overlong", "half a pair"],
)
def test_what_is_no_utf_8_is_told_with_file_and_remedy(spoil, words, kind, tmp_path):
    read, name, text, _ = kind
    (tmp_path / name).write_bytes(spoil(text))
    with pytest.raises(SimkitError, match=words) as caught:
        read(tmp_path / name)
    assert caught.value.file == str(tmp_path / name)
    assert caught.value.remedy


def test_a_line_too_long_is_told_by_its_number(kind, tmp_path):
    read, name, text, _ = kind
    if name.endswith(".json"):
        pytest.skip("lines of JSON mean nothing")
    (tmp_path / name).write_bytes(text.encode() + b"\n" + b"x" * 20_000)
    with pytest.raises(SimkitError, match="20000 characters; 10000 are allowed") as caught:
        read(tmp_path / name)
    assert caught.value.line == text.count("\n") + 2


def test_a_pasted_text_is_sent_as_it_is_but_for_the_ends_of_its_lines(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"a\nb\r\nc\rd\xff\0")
    assert Paste.read(tmp_path / "a.txt").data == b"a\rb\rc\rd\xff\0"
