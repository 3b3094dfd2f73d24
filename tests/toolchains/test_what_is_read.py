"""A debug file says which files its lines stand in, and somebody else may have made it: where it may lead."""

import os

import pytest

from simkit.commands.main import main
from simkit.rom.labels import read_labels
from simkit.rom.listing import read_rows
from tests.shed import SHED
from tests.toolchains.elf import elf

SECRET = "zqxj"
MACHINE = SHED + 'image = "rom.bin"\nlabels = "{labels}"\n'
LINES = f"; {SECRET} one\n; {SECRET} two\n nop ; {SECRET}\nSECRET{SECRET} = $8000\n"


def of_ld65(name):
    return (
        "version\tmajor=2,minor=0\n"
        f'file\tid=0,name="{name}",size=9\n'
        f'seg\tid=0,name="CODE",start=0x8000,size=9,oname="rom.bin",ooffs=0\n'
        "span\tid=0,seg=0,start=0,size=1\nline\tid=0,file=0,line=3,span=0\nline\tid=1,file=0,line=4\n"
        'sym\tid=0,name="start",val=0x8000,type=equ,def=1\n'
    ).encode()


def of_64tass(name):
    head = "; 64tass Turbo Assembler Macro listing file\n;Offset\t;Hex\t;Monitor\t;Source\n"
    return f"{head};******  Processing input file: {name}\n.8000\tea\tnop\tnop\n".encode()


FORMS = {
    "ld65": of_ld65,
    "64tass, listing": of_64tass,
    "64tass, labels": lambda name: f"{name}:4:1: start = $8000\n".encode(),
    "vasm": lambda name: f'Source: "{name}"\n00:8000 EA\t     3: nop\n'.encode(),
    "map": lambda name: f"$8000 | start | {name}:4\n".encode(),
    "listing": lambda name: f"$8000  EA  {name}:3\n".encode(),
    "ELF": lambda name: elf(5, files=[(name, 0)], rows=[(0x8000, 0, 3), (0x8001, 0, None)]),
}
"""Of each form a file that names one source."""


@pytest.fixture
def project(tmp_path):
    """A folder in a folder: all that the outer one holds is nobody's business."""
    inner = tmp_path / "outer" / "machine"
    inner.mkdir(parents=True)
    (tmp_path / "outer" / "id_rsa").write_text(LINES)
    return inner


def leads(project, kind):
    """The name by which a debug file in the folder leads to what it should not."""
    outside = project.parent / "id_rsa"
    if kind == "absolute":
        return str(outside)
    if kind == "upwards":
        return "../id_rsa"
    if kind == "there and back":
        return "../machine/../id_rsa"
    if kind == "link":
        (project / "a.s").symlink_to(outside)
        return "a.s"
    if kind == "folder that is a link":
        (project / "lib").symlink_to(outside.parent)
        return "lib/id_rsa"
    if kind == "hidden":
        (project / ".git").mkdir()
        (project / ".git" / "config").write_text(LINES)
        return ".git/config"
    if kind == "pipe":
        os.mkfifo(project / "a.s")
        return "a.s"
    if kind == "device":
        (project / "a.s").symlink_to("/dev/zero")
        return "a.s"
    if kind == "folder":
        (project / "a.s").mkdir()
        return "a.s"
    if kind == "binary":
        (project / "a.s").write_bytes(LINES.encode() + b"\0" * 99)
        return "a.s"
    if kind == "no UTF-8":
        (project / "a.s").write_bytes(LINES.encode() + b"\xff" * 99)
        return "a.s"
    with (project / "a.s").open("wb") as file:
        file.write(LINES.encode())
        file.truncate(1 << 30)
    return "a.s"


ELSEWHERE = ["absolute", "upwards", "there and back", "link", "folder that is a link", "hidden"]
ODD = ["device", "folder", "binary", "no UTF-8", "a gigabyte"]


def all_told(path, folders=()):
    notes = []
    labels = read_labels(path, notes, folders)
    rows = read_rows(path, notes, [], folders)
    return f"{labels} {rows} {notes}", rows, list(dict.fromkeys(notes))


@pytest.mark.parametrize("kind", [*ELSEWHERE, *ODD, pytest.param("pipe", marks=pytest.mark.needs("fifo"))])
@pytest.mark.parametrize("form", FORMS)
def test_nothing_is_told_of_what_lies_elsewhere_or_is_no_text(form, kind, project):
    if form == "ELF":
        pytest.importorskip("elftools", reason="the package pyelftools is not installed")
    name = leads(project, kind)
    path = project / "x"
    path.write_bytes(FORMS[form](name))
    told, rows, _ = all_told(path)
    assert SECRET not in told
    if form in ("ld65", "vasm", "ELF"):
        assert [row.line for row in rows] == [3], "the place is told all the same"


@pytest.mark.parametrize("kind", [*ELSEWHERE, *ODD])
def test_one_note_names_what_was_not_read_and_why(kind, project):
    name = leads(project, kind)
    (project / "x.dbg").write_bytes(of_ld65(name))
    notes = [note for note in all_told(project / "x.dbg")[2] if "is not read" in note]
    assert len(notes) == 1
    assert name.rpartition("/")[2] in notes[0]
    why = {
        "hidden": "begins with a dot", "device": "a device or a pipe", "folder": "a folder", "binary": "NUL",
        "no UTF-8": "Save it as UTF-8", "a gigabyte": "are allowed",
    }  # fmt: skip
    assert why.get(kind, "SIMKIT_SOURCES") in notes[0]


def test_of_several_files_that_are_not_read_one_is_named_and_the_others_counted(project):
    sources = "".join(f'file\tid={n},name="/elsewhere/{n}.s",size=1\n' for n in range(3))
    lines = "".join(f"span\tid={n},seg=0,start={n},size=1\nline\tid={n},file={n},line=1,span={n}\n" for n in range(3))
    (project / "x.dbg").write_text(f"version\tmajor=2,minor=0\n{sources}seg\tid=0,start=0x8000,size=9\n{lines}")
    notes = [note for note in all_told(project / "x.dbg")[2] if "is not read" in note]
    assert len(notes) == 1
    assert notes[0].startswith("/elsewhere/0.s (and 2 more) is not read")


def test_what_the_linker_wrote_is_looked_at_in_the_same_places_alone(project):
    """Bytes of the image stand in the message that it is another one than the machine's."""
    (project.parent / "secret.bin").write_bytes(SECRET.encode())
    (project / "x.dbg").write_bytes(of_ld65("a.s").replace(b"rom.bin", b"../secret.bin"))
    _, rows, notes = all_told(project / "x.dbg")
    assert [row.data for row in rows] == [b""]
    assert "secret.bin is not read" in notes[0]


@pytest.mark.parametrize(
    "name", ["src/a.s", "./src/../src/a.s", "ABSOLUTE", "/home/somebody/board/src/a.s", "C:\\b\\src\\a.s"]
)
@pytest.mark.parametrize("where", ["beside the debug file", "below the machine file", "named by the user"])
def test_sources_of_the_project_are_read(where, name, project, monkeypatch):
    """A path of another computer is looked for by its end."""
    home = project if where == "beside the debug file" else project.parent
    (home / "src").mkdir()
    (home / "src" / "a.s").write_text("\n\n nop\n")
    path = project / "x.dbg"
    path.write_bytes(of_ld65(name.replace("ABSOLUTE", str(home / "src" / "a.s"))))
    if where == "named by the user":
        monkeypatch.setenv("SIMKIT_SOURCES", os.pathsep.join(["/nowhere", str(home)]))
    _, rows, _ = all_told(path, [home] if where == "below the machine file" else [])
    assert (rows[0].text, rows[0].file) == ("nop", str(home / "src" / "a.s"))


def test_a_folder_that_is_a_link_itself_is_where_it_leads(project):
    (project.parent / "link").symlink_to(project)
    (project / "a.s").write_text("\n\n nop\n")
    (project / "x.dbg").write_bytes(of_ld65("a.s"))
    assert all_told(project.parent / "link" / "x.dbg")[1][0].text == "nop"


@pytest.mark.parametrize("form", ["ld65", "64tass, listing", "vasm", "listing", "map"])
@pytest.mark.parametrize(
    "words", [("check",), ("check", "--json"), ("check", "--one-line"), ("coverage", "--html", "-")]
)
def test_no_report_of_a_shared_machine_holds_a_line_from_elsewhere(words, form, project, capsys, monkeypatch):
    """The image runs into BRK and reads what was never written, so there is something to report in the line."""
    monkeypatch.chdir(project)
    (project / "machine.toml").write_text(MACHINE.format(labels="x.lst"))
    (project / "x.lst").write_bytes(FORMS[form]("../id_rsa"))
    (project / "rom.bin").write_bytes(b"\xea\xa5\x10\x00".ljust(0x7FFA, b"\xff") + b"\0\x80" * 3)
    with pytest.raises(SystemExit):
        main([words[0], ".", "--for", "1ms", *words[1:]])
    told = "".join(capsys.readouterr())
    assert "8000" in told
    assert SECRET not in told


def test_no_column_is_told_of_a_line_elsewhere(project, capsys, monkeypatch):
    """Not even how far in a line begins."""
    monkeypatch.chdir(project)
    (project / "machine.toml").write_text(MACHINE.format(labels="x.dbg"))
    (project / "rom.bin").write_bytes(b"\xa5\x10\x00".ljust(0x7FFA, b"\xff") + b"\0\x80" * 3)
    inside = project / "a.s"
    inside.write_text("\n\n        lda $10\n")
    (project.parent / "a.s").write_text(inside.read_text())
    for name, column in (("a.s", 9), ("../a.s", 1)):
        (project / "x.dbg").write_bytes(of_ld65(name).replace(b"start=0,size=1", b"start=0,size=2"))
        with pytest.raises(SystemExit):
            main(["check", ".", "--for", "1ms", "--one-line"])
        assert f"a.s:3:{column}: error: $0010 is read" in capsys.readouterr().out
