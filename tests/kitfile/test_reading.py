"""A kit's reader: what was packed comes back, and every way to make a file lie is refused in one sentence."""

import hashlib
import io
import json
import os
import stat
import struct
import tracemalloc
import zipfile
from pathlib import Path

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.contract.shapes import StateError
from simkit.files.outputs import TakenError
from simkit.kitfile.errors import KitError
from simkit.kitfile.manifest import FOLDER, NAME, Manifest, Needed, read_manifest
from simkit.kitfile.names import problem_of, same_for_some
from simkit.kitfile.reading import MAX_TOTAL_BYTES, kit_of, read_kit
from simkit.kitfile.unpacking import at_home, kit_around, unpack
from simkit.kitfile.writing import described, kit_bytes
from tests.fuzz.fuzzing.zips import entry, zip_of

CONTENTS = {"machine.toml": b'name = "A"\n', "roms/a.bin": bytes(range(256)) * 8, "cards/lamp.py": b"x = 1\n"}
ROLES = {"machine.toml": "machine", "roms/a.bin": "image", "cards/lamp.py": "card"}


def manifest_of(contents=None, **changes):
    contents = CONTENTS if contents is None else contents
    found = Manifest(
        name="A",
        about="",
        machine="machine.toml",
        files={name: described(ROLES.get(name, "other"), data) for name, data in contents.items()},
        cards=(Needed(1, "sram", "backplane-simkit", "0.1.0", 2),),
        fingerprint={"parts": {}, "models": {}},
    )
    return attrs.evolve(found, **changes)


@pytest.fixture
def kit():
    return kit_bytes(manifest_of(), CONTENTS)


def refused(data, says=""):
    with pytest.raises(KitError) as caught:
        kit_of(data, Path("a.kit"))
    text = str(caught.value)
    assert text.startswith("a.kit: ")
    assert says in text
    assert "Traceback" not in text
    return text


def zipped(entries):
    """A zip as Python's own module writes it, of (name, content, how the entry is changed)."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, content, change in entries:
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.external_attr = 0o100644 << 16
            info.compress_type = zipfile.ZIP_DEFLATED
            change(info)
            archive.writestr(info, content)
    return buffer.getvalue()


def content_of(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def as_it_is(info):
    pass


def entries_of(contents=None, **changes):
    contents = CONTENTS if contents is None else contents
    head = manifest_of(contents, **changes).content()
    return [entry(NAME, head), *(entry(FOLDER + name, contents[name]) for name in sorted(contents))]


def other(number, **changes):
    """The entries of the usual kit, one of them changed."""
    found = entries_of()
    found[number] = attrs.evolve(found[number], **changes)
    return found


def second_directory():
    """A 64-bit directory beside the usual one, which some programs follow and others do not."""
    found = entries_of()
    plain = zip_of(found)
    start = plain.index(b"PK\1\2")
    directory = plain[start:-22]
    last = struct.pack("<4sQ2H2L4Q", b"PK\6\6", 44, 45, 45, 0, 0, 4, 4, len(directory), start)
    locator = struct.pack("<4sLQL", b"PK\6\7", 0, len(plain) - 22, 1)
    return zip_of(found, more=last + locator)


def in_two():
    """A stream that ends, and another one behind it, which some programs would go on to read."""
    found = entries_of()
    return [*found[:-1], attrs.evolve(found[-1], packed=found[-1].packed + found[-1].packed)]


def tricks():
    """Zip files made byte by byte: where programs that read zip files differ in what they see."""
    last, first = entries_of()[-1], entries_of()[1]
    inside = attrs.evolve(first, there={"offset": 0})
    huge = 0xFFFFFFFF
    wide = struct.pack("<2H3Q", 1, 24, last.size, len(last.packed), 0)
    return {
        "longer than it says": zip_of(other(-1, size=last.size - 1)),
        "shorter than it says": zip_of(other(-1, size=last.size + 1)),
        "nothing, it says": zip_of(other(-1, size=0)),
        "the size is said here alone": zip_of(other(-1, there={"size": 0})),
        "the size is said there alone": zip_of(other(-1, here={"size": 0})),
        "another checksum": zip_of(other(-1, crc=last.crc ^ 1)),
        "packed shorter than it says": zip_of(other(-1, there={"packed": len(last.packed) + 1})),
        "packed longer than it says": zip_of(other(-1, here={"packed": len(last.packed) - 1}, there={"packed": 3})),
        "cut off in the stream": zip_of(other(-1, packed=last.packed[:-1])),
        "two streams": zip_of(in_two()),
        "no stream": zip_of(other(-1, packed=b"\xff\xff\xff")),
        "entries that share their bytes": zip_of([*entries_of()[:2], inside, *entries_of()[2:]]),
        "another name in the directory": zip_of(other(-1, there={"name": b"files/../../../evil"})),
        "another name in the entry": zip_of(other(-1, here={"name": b"files/../../../evil"})),
        "a name cut off by a NUL": zip_of(other(-1, name=last.name + b"\0.txt")),
        "a whole path": zip_of(other(-1, name=b"/etc/passwd")),
        "a backslash": zip_of(other(-1, name=b"files\\roms\\a.bin")),
        "a name that is no UTF-8": zip_of(other(-1, name=b"files/\xff", here={"flags": 0x800}, there={"flags": 0x800})),
        "a name of an old code page": zip_of(other(-1, name=b"files/\x81.bin")),
        "sizes behind the content": zip_of(other(-1, here={"flags": 8, "size": 0, "packed": 0, "crc": 0})),
        "sizes behind, and there": zip_of(other(-1, here={"flags": 8}, there={"flags": 8})),
        "encrypted": zip_of(other(-1, here={"flags": 1}, there={"flags": 1})),
        "sizes of 64 bits": zip_of(other(-1, there={"size": huge, "packed": huge}, extra=wide)),
        "a second directory": second_directory(),
        "a gap between entries": zip_of(other(-1, before=b"hidden")),
        "a gap before the first": zip_of(other(0, before=b"hidden")),
        "a gap before the directory": zip_of(entries_of(), between=b"hidden"),
        "a gap before the end": zip_of(entries_of(), more=b"hidden"),
        "an entry that no directory names": zip_of(entries_of(), between=zip_of([last])[:-100]),
        "an entry more in the directory": zip_of([*entries_of(), last], count=4),
        "one twice": zip_of([*entries_of(), last]),
        "no entries at all": zip_of([]),
        "only the manifest": zip_of(entries_of()[:1]),
        "another order": zip_of([entries_of()[0], *entries_of()[:0:-1]]),
        "a comment": zip_of(other(-1, comment=b"PK")),
        "another disk for one": zip_of(other(-1, there={"disk": 1})),
        "a name that goes on": zip_of(other(0, name=NAME.encode() + b".txt")),
        "rights that say nothing": zip_of(other(-1, there={"rights": 0})),
        "one byte more than both say": zip_of(
            [
                *entries_of(
                    files={
                        **manifest_of().files,
                        "roms/a.bin": attrs.evolve(described("image", CONTENTS["roms/a.bin"]), size=last.size - 1),
                    }
                )[:-1],
                attrs.evolve(last, size=last.size - 1),
            ]
        ),
        "a record of the directory that is cut off": zip_of(entries_of(), more=b"PK\1\2" + bytes(10), count=5),
        "no method": zip_of(other(-1, here={"method": 0}, there={"method": 0})),
        "the size that the manifest says is another": zip_of(
            entries_of(
                files={
                    **manifest_of().files,
                    "machine.toml": attrs.evolve(described("machine", CONTENTS["machine.toml"]), size=1),
                }
            )
        ),
        "nothing but an end": zip_of([])[-22:],
        "an entry of the directory that is cut off": zip_of(entries_of(), count=5),
    }


def test_what_was_packed_comes_back(kit):
    found = kit_of(kit, Path("a.kit"))
    assert dict(found.contents) == CONTENTS
    assert found.manifest == manifest_of()
    assert found.manifest.identity == hashlib.sha256(found.manifest.content()).hexdigest()


def test_the_same_contents_give_the_same_bytes_in_whatever_order(kit):
    backwards = dict(reversed(CONTENTS.items()))
    assert kit_bytes(manifest_of(backwards), backwards) == kit


@given(st.data())
def test_any_byte_changed_or_cut_is_noticed(data):
    """Every byte counts: none can be changed but for what a zip file holds besides (the date, rights, who made it)."""
    kit = bytearray(kit_bytes(manifest_of(), CONTENTS))
    if data.draw(st.booleans()):
        refused(bytes(kit[: data.draw(st.integers(0, len(kit) - 1))]))
        return
    at = data.draw(st.integers(0, len(kit) - 1))
    kit[at] ^= 1 << data.draw(st.integers(0, 7))
    try:
        found = kit_of(bytes(kit), Path("a.kit"))
    except KitError:
        return
    assert (found.manifest, dict(found.contents)) == (manifest_of(), CONTENTS)


def lies():
    """Zip files that say one thing here and another there, by what they do."""
    good = kit_bytes(manifest_of(), CONTENTS)
    end = len(good) - 22
    start = struct.unpack("<L", good[end + 16 : end + 20])[0]

    def patched(at, new):
        return good[:at] + new + good[at + len(new) :]

    head = manifest_of().content()
    usual = [(NAME, head, as_it_is), *((FOLDER + n, CONTENTS[n], as_it_is) for n in sorted(CONTENTS))]

    def change(**fields):
        return lambda info: [setattr(info, name, value) for name, value in fields.items()]

    return {
        "nothing": b"",
        "no zip at all": b"#!/bin/sh\n" * 10,
        "something before it": b"MZ" + good,
        "something behind it": good + b"more",
        "a comment": good[:-2] + b"\4\0more",
        "its end twice": good + good[end:],
        "no directory": good[:start] + good[end:],
        "a directory elsewhere": patched(end + 16, struct.pack("<L", start - 1)),
        "more entries than there are": patched(end + 8, struct.pack("<2H", 9, 9)),
        "a huge count": patched(end + 8, struct.pack("<2H", 0xFFFF, 0xFFFF)),
        "fewer entries on this disk": patched(end + 8, struct.pack("<H", 3)),
        "another mark at its end": patched(end, b"PK\5\7"),
        "another size of the directory": patched(end + 12, struct.pack("<L", end - start - 1)),
        "no mark in the directory": patched(start, b"PK\1\3"),
        "another disk": patched(end + 4, struct.pack("<H", 1)),
        "another name in the entry itself": patched(30, b"kit.jsoN"),
        "another size in the entry itself": patched(22, struct.pack("<L", 5)),
        "an entry that is encrypted": patched(6, b"\1\0"),
        "an entry that starts in another": patched(start + 46 + len(NAME) + 42, struct.pack("<L", 0)),
        "a link": zipped([usual[0], (*usual[1][:2], change(external_attr=(stat.S_IFLNK | 0o777) << 16)), *usual[2:]]),
        "a folder": zipped([*usual, (FOLDER + "empty/", b"", change(external_attr=(stat.S_IFDIR | 0o755) << 16))]),
        "extra fields": zipped([usual[0], (usual[1][0], b"x", change(extra=b"\1\0\0\0"))]),
        "a comment of an entry": zipped([usual[0], (usual[1][0], b"x", change(comment=b"hello"))]),
        "not packed at all": zipped([(NAME, head, change(compress_type=zipfile.ZIP_STORED)), *usual[1:]]),
        "another way to pack": zipped([usual[0], (usual[1][0], b"x", change(compress_type=zipfile.ZIP_BZIP2))]),
        "no manifest": zipped(usual[1:]),
        "the manifest at its end": zipped([*usual[1:], usual[0]]),
        "a file more": zipped([*usual, (FOLDER + "zz", b"more", as_it_is)]),
        "a file less": zipped(usual[:-1]),
        "a file outside": zipped([*usual, ("../../evil", b"more", as_it_is)]),
        "another content": zipped([*usual[:-1], (usual[-1][0], bytes(reversed(usual[-1][1])), as_it_is)]),
        "content of another length": zipped([*usual[:-1], (usual[-1][0], b"other", as_it_is)]),
        "a manifest that is no JSON": zipped([(NAME, b"\xff\xfe", as_it_is)]),
        "a manifest nested without end": zipped([(NAME, b"[" * 100_000, as_it_is)]),
        "a manifest of another kind": zipped([(NAME, b'{"format":"other"}', as_it_is)]),
    }


SAYS = {
    "no manifest": "is a zip file and no kit",
    "a huge count": "65535 entries; 2001 are allowed",
    "another mark at its end": "its end is missing",
    "fewer entries on this disk": "its last record",
    "another size of the directory": "does not lie where it says",
    "no mark in the directory": "its directory does not hold",
    "a record of the directory that is cut off": "its directory does not hold",
    "another content": "does not have the content",
    "content of another length": "is not as large as the manifest says",
    "the size that the manifest says is another": "machine.toml is not as large as the manifest says",
    "one byte more than both say": "does not unpack to what it says",
    "a name that goes on": "its first entry is not the manifest",
    "a link": "is no file",
    "a folder": "is no file",
    "rights that say nothing": "is no file",
    "extra fields": "stored in a way that no kit's is",
    "a comment of an entry": "stored in a way that no kit's is",
    "another disk for one": "stored in a way that no kit's is",
    "sizes of 64 bits": "stored in a way that no kit's is",
    "a file less": "'files/roms/a.bin'",
    "a file more": "'files/zz'",
    "another order": "the order of its files",
}
"""Words of the message where another check would refuse the file as well."""


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("lie", list(lies()))
def test_a_file_that_lies_is_refused_in_words(lie):
    refused(lies()[lie], SAYS.get(lie, ""))


def test_zip_files_made_by_hand_are_read_where_nothing_is_wrong():
    """Else the tricks below would be refused for another reason."""
    assert dict(kit_of(zip_of(entries_of()), Path("a.kit")).contents) == CONTENTS


@pytest.mark.parametrize("trick", list(tricks()))
def test_what_programs_would_read_differently_is_refused(trick):
    refused(tricks()[trick], SAYS.get(trick, ""))


def test_what_unpacks_to_far_more_than_it_says_takes_no_memory():
    """Of a stream that goes on no more is unpacked than the entry is allowed to hold."""
    bomb = entry(FOLDER + "zz", bytes(60_000_000), size=1000)
    contents = {**CONTENTS, "zz": bytes(1000)}
    data = zip_of([*entries_of(contents)[:-1], bomb])
    tracemalloc.start()
    refused(data, "does not unpack to what it says")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_000_000


@pytest.mark.parametrize(
    ("package", "version"), [("a; rm -rf ~ #", "1"), ("-r", "1"), ("a b", "1"), ("good", "1 && echo"), ("good", "$(x)")]
)
def test_what_people_are_told_to_enter_is_a_package_and_nothing_else(package, version):
    card = Needed(1, "sram", package, version, 2)
    with pytest.raises(StateError, match=r"not the (name|version) of a package"):
        read_manifest(manifest_of(cards=(card,)).content())


def test_names_that_machine_files_may_have_are_kept():
    """Such as blanks of a set width, and joined pictures."""
    name = "Bob\u2019s\u00a0shed \U0001f469\u200d\U0001f33e"
    assert read_manifest(manifest_of(name=name).content()).name == name


@pytest.mark.parametrize("depth", [1, 100, 900, 5000])
def test_what_a_manifest_says_of_the_machine_is_flat(depth):
    data = manifest_of().content().replace(b'"models":{}', b'"models":' + b"[" * depth + b"]" * depth)
    with pytest.raises(StateError):
        read_manifest(data)


@pytest.mark.parametrize("name", ["a\nb", "a\x1b[2J", "\ud800", "x" * 201])
def test_a_name_is_one_line(name):
    with pytest.raises(StateError, match="no line"):
        read_manifest(manifest_of(name=name).content())


def test_two_entries_of_one_name_are_refused():
    head = manifest_of().content()
    with pytest.warns(UserWarning, match="Duplicate name"):
        data = zipped([(NAME, head, as_it_is), (FOLDER + "a", b"1", as_it_is), (FOLDER + "a", b"2", as_it_is)])
    refused(data, "not those of the manifest")


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch):
    """The directory says how large all is; reading is held to what it says."""
    size = 60_000_000
    contents = {f"f{number}": bytes(size) for number in range(2)}
    monkeypatch.setattr("simkit.kitfile.reading.MAX_TOTAL_BYTES", size)
    data = kit_bytes(manifest_of(contents, machine="f0", files={
        name: described("machine" if name == "f0" else "other", content) for name, content in contents.items()
    }), contents)  # fmt: skip
    assert len(data) < 1_000_000
    monkeypatch.setattr("simkit.kitfile.reading._content", lambda *_: pytest.fail("something was unpacked"))
    refused(data, "unpacks to more than")
    assert size < MAX_TOTAL_BYTES


LARGEST = max(map(len, CONTENTS.values()))


@pytest.mark.parametrize(
    ("limit", "allowed"),
    [
        ("MAX_FILES", len(CONTENTS)),
        ("MAX_BYTES", len(manifest_of().content())),
        ("MAX_FILE_BYTES", LARGEST),
        ("MAX_TOTAL_BYTES", len(manifest_of().content()) + sum(map(len, CONTENTS.values()))),
    ],
)
def test_bounds_are_held_to_the_byte(kit, monkeypatch, limit, allowed):
    monkeypatch.setattr(f"simkit.kitfile.reading.{limit}", allowed)
    kit_of(kit, Path("a.kit"))
    monkeypatch.setattr(f"simkit.kitfile.reading.{limit}", allowed - 1)
    text = refused(kit, "allowed")
    assert str(allowed if limit == "MAX_FILES" else allowed - 1) in text


@pytest.mark.parametrize("version", [0, 2, "1", None])
def test_another_version_is_told_with_what_to_do(version):
    data = json.loads(manifest_of().content()) | {"version": version}
    text = refused(zipped([(NAME, json.dumps(data).encode(), as_it_is)]), "format version")
    assert "simkit that packed it" in text


@pytest.mark.parametrize(
    "name",
    ["/etc/passwd", "../a", "a/../b", "a//b", "", ".", "a/", "C:/a", "a\\b", "con", "LPT1.txt", "a/aux", "a\0b", "a\nb",
     "a.", " a", "a ", "e\u0301", "x" * 300, "/".join("a" * 17), "a:b", "a*", "nul.bin", "con .txt", "CONIN$",
     ".git/config", "a/.profile", "...", "\u6c34" * 86, "/".join(["a" * 30] * 8)[:241]],
)  # fmt: skip
def test_names_that_lead_out_or_that_some_system_cannot_have_are_refused(name):
    assert problem_of(name) is not None
    contents = {**CONTENTS, name: b""}
    with pytest.raises(StateError, match="cannot be the name"):
        read_manifest(manifest_of(contents).content())


@pytest.mark.parametrize("name", ["a", "/".join("a" * 16), "x" * 240, "\u6c34" * 85, "con-1", "a b/c.d.e", "caf\u00e9"])
def test_names_that_every_system_can_have_are_taken(name):
    assert problem_of(name) is None


def test_names_that_are_one_on_some_systems_are_refused():
    assert same_for_some(["a", "b/A", "b/a"]) == ("b/A", "b/a")
    assert same_for_some(["a", "a/b"]) is not None
    assert same_for_some(["a/b", "a/c", "b"]) is None
    assert same_for_some(["stra\u00dfe", "STRASSE"]) is not None
    assert same_for_some(["\u015a", "\u017f\u0301"]) is not None  # a long s with an accent


@pytest.mark.parametrize(
    "changes",
    [
        {"machine": "none"},
        {"machine": "roms/a.bin"},
        {"licence": "roms/a.bin"},
        {"poster": "x"},
        {"notes": ("machine.toml",)},
    ],
)
def test_a_manifest_names_files_that_are_there_in_their_roles(changes):
    with pytest.raises(StateError):
        read_manifest(manifest_of(**changes).content())


def test_it_is_unpacked_as_it_was_and_over_nothing(kit, tmp_path):
    found = kit_of(kit, Path("a.kit"))
    unpack(found, tmp_path / "new")
    assert content_of(tmp_path / "new") == CONTENTS
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "machine.toml").write_text("mine")
    with pytest.raises(Exception, match="Already there"):
        unpack(found, tmp_path / "old")
    assert [p.name for p in (tmp_path / "old").iterdir()] == ["machine.toml"]
    unpack(found, tmp_path / "old", force=True)
    assert (tmp_path / "old" / "machine.toml").read_bytes() == CONTENTS["machine.toml"]


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def spoil_text(folder):
    (folder / "machine.toml").write_text("changed")


def spoil_missing(folder):
    (folder / "roms" / "a.bin").unlink()


def spoil_more(folder):
    (folder / "roms" / "more.bin").write_bytes(b"more")


def spoil_link(folder):
    elsewhere = folder.parent / "elsewhere"
    elsewhere.write_text("mine")
    (folder / "cards" / "lamp.py").unlink()
    (folder / "cards" / "lamp.py").symlink_to(elsewhere)


def spoil_folder(folder):
    elsewhere = folder.parent / "folder"
    (folder / "cards").rename(elsewhere)
    (folder / "cards").symlink_to(elsewhere)
    (elsewhere / "lamp.py").write_text("mine")


def spoil_all(folder):
    elsewhere = folder.parent / "all"
    folder.rename(elsewhere)
    folder.symlink_to(elsewhere)
    (elsewhere / "machine.toml").write_text("mine")


def spoil_link_alike(folder):
    elsewhere = folder.parent / "elsewhere"
    (folder / "cards" / "lamp.py").rename(elsewhere)
    (folder / "cards" / "lamp.py").symlink_to(elsewhere)


def spoil_all_alike(folder):
    elsewhere = folder.parent / "all"
    folder.rename(elsewhere)
    folder.symlink_to(elsewhere)


def spoil_same_size(folder):
    (folder / "cards" / "lamp.py").write_bytes(CONTENTS["cards/lamp.py"].swapcase())


def spoil_much(folder):
    with (folder / "machine.toml").open("ab") as file:
        file.truncate(200_000_000)


def spoil_kind(folder):
    (folder / "machine.toml").unlink()
    (folder / "machine.toml").mkdir()


SPOILT = [spoil_text, spoil_missing, spoil_more, spoil_link, spoil_folder, spoil_all, spoil_link_alike, spoil_all_alike]
SPOILT += [spoil_same_size, spoil_much, spoil_kind]


@pytest.mark.parametrize("spoil", SPOILT)
def test_at_home_it_lies_as_it_is_and_what_was_changed_there_is_mended(kit, home, spoil):
    """Nothing is written through a link that somebody has put there."""
    found = kit_of(kit, Path("a.kit"))
    folder = at_home(found)
    spoil(folder)
    mine = [path for path in folder.parent.rglob("*") if path.is_file() and path.read_bytes() == b"mine"]
    assert at_home(found) == folder
    assert content_of(folder) == CONTENTS
    assert not any(path.is_symlink() for path in (folder, *folder.rglob("*")))
    assert [path.read_bytes() for path in mine if folder not in path.parents] in ([], [b"mine"])


def test_at_home_nothing_is_written_where_nothing_is_wrong(kit, home):
    found = kit_of(kit, Path("a.kit"))
    before = (at_home(found) / "machine.toml").stat()
    assert os.path.samestat(before, (at_home(found) / "machine.toml").stat())


def test_at_home_what_another_run_has_put_there_is_looked_at(kit, home, monkeypatch):
    found = kit_of(kit, Path("a.kit"))

    def other(folder, contents, **named):
        folder.mkdir()
        (folder / "machine.toml").write_text("other")
        raise TakenError("taken")

    monkeypatch.setattr("simkit.kitfile.unpacking.write_folder", other)
    with pytest.raises(TakenError):
        at_home(found)


def test_without_a_home_a_kit_is_unpacked_by_hand(kit, monkeypatch, tmp_path):
    def none():
        raise RuntimeError("no home")

    monkeypatch.setattr("simkit.kitfile.unpacking.cache_folder", none)
    with pytest.raises(SimkitError, match="simkit unpack KIT FOLDER"):
        at_home(kit_of(kit, Path("a.kit")))
    assert kit_around(tmp_path / "a") is None


@pytest.mark.parametrize(("files", "told"), [(4, "machine.toml"), (6, "f3 and 2 more")])
def test_files_that_are_there_are_named_and_many_counted(tmp_path, files, told):
    contents = {"machine.toml": b"", **{f"f{number}": b"" for number in range(files - 1)}}
    found = kit_of(kit_bytes(manifest_of(contents), contents), Path("a.kit"))
    unpack(found, tmp_path)
    with pytest.raises(SimkitError, match=rf"{told}\. Nothing"):
        unpack(found, tmp_path)


def test_nothing_is_unpacked_through_a_link_out_of_the_folder(kit, tmp_path):
    found = kit_of(kit, Path("a.kit"))
    outside, target = tmp_path / "outside", tmp_path / "target"
    outside.mkdir()
    target.mkdir()
    (target / "roms").symlink_to(outside)
    for force in (False, True):
        with pytest.raises(SimkitError, match="leads out of"):
            unpack(found, target, force=force)
    assert not list(outside.iterdir())
    assert [path.name for path in target.iterdir()] == ["roms"]


def test_a_path_without_a_kit_is_told(tmp_path):
    with pytest.raises(KitError, match="There is no kit"):
        read_kit(tmp_path / "none.kit")
