"""Kits: sound ones, and such as lie in their manifest, in their machine file, in their names or as zip files."""

from __future__ import annotations

import copy
import hashlib
import json
import struct
import zlib
from collections.abc import Callable
from functools import cache
from typing import Any

import attrs

from fuzzing import corpus, paths, texts
from fuzzing.rolls import Rolls
from fuzzing.sample import FOLDER, LINK, Content, Sample, Special
from fuzzing.structure import changed, toml
from fuzzing.zips import Entry, entry, zip_of

NAME, FILES = "kit.json", "files/"
KIT, OUT = "a.kit", "out"

LEADS_OUT = ("../../foreign/one-line", "../../../foreign/passwd", "../foreign/other.toml", "/etc/passwd", "/dev/zero")
LEADS_OUT += ("../a.kit", "a\0b", "..", "", "/", "~/x", "x" * 300, "demo:marlpit", "\\\\host\\share\\x", "C:\\x", "nul")
NAMES = (
    "../evil",
    "/evil",
    "a/../../evil",
    "a\\..\\evil",
    "C:evil",
    "con",
    "aux.txt",
    "a\0b",
    "a\nb",
    "a.",
    " a",
    "e\u0301",
)
NAMES += (
    "",
    ".",
    "..",
    "a//b",
    "a/",
    "x" * 300,
    "y/" * 40 + "z",
    ".git/config",
    "\u202egnp.a",
    "\ud800",
    "MACHINE.TOML",
)
NAMES += ("machine.toml/x", "\u6c34" * 90, "stra\u00dfe", "STRASSE", "CONIN$", "ok.bin", "caf\u00e9/\u6c34.bin", "a b")


@attrs.define
class Made:
    """A kit on its way: its manifest as a tree, the content of its files, and its entries when they are made."""

    manifest: dict[str, Any]
    contents: dict[str, bytes]

    def described(self) -> None:
        """Have the manifest tell the truth about the contents."""
        old = self.manifest["files"]
        self.manifest["files"] = {
            name: {
                "role": old.get(name, {}).get("role", "other"),
                "sha256": hashlib.sha256(content).hexdigest(),
                "size": len(content),
            }
            for name, content in self.contents.items()
        }

    def head(self) -> bytes:
        """The manifest as a kit has it."""
        return (json.dumps(self.manifest, sort_keys=True, separators=(",", ":")) + "\n").encode()

    def entries(self) -> list[Entry]:
        """Entries as they should be."""
        files = [entry(FILES + name, content, 1) for name, content in sorted(self.contents.items())]
        return [entry(NAME, self.head(), 1), *files]


def _start(rolls: Rolls) -> Made:
    """A sound kit: one that was packed with all that can be in it, or one of a demo machine."""
    if rolls.chance(3):
        manifest, contents = corpus.kit()
        return Made(copy.deepcopy(manifest), dict(contents))
    found = rolls.choice(corpus.machines())
    contents = {
        name: toml(rolls, content).encode() if isinstance(content, dict) else content for name, content in found.items()
    }
    roles = {corpus.MACHINE: "machine", corpus.BASE: "base", corpus.ROM: "image", corpus.LABELS: "labels"}
    roles |= {corpus.CARD: "card", corpus.FUSES: "fuses"}
    made = Made(
        {
            "format": "simkit-kit",
            "version": 1,
            "name": "Shed",
            "about": "",
            "machine": corpus.MACHINE,
            "files": {name: {"role": roles[name]} for name in contents},
            "cards": [],
            "fingerprint": {"parts": {}, "models": {}},
            "notes": [],
            "recordings": [],
            "licence": None,
            "poster": None,
        },
        contents,
    )
    made.described()
    return made


def _add(made: Made, name: str, role: str, content: bytes) -> None:
    made.contents[name] = content
    made.manifest["files"][name] = {"role": role}


def _sound(rolls: Rolls, made: Made) -> list[Entry]:
    """More in it, and nothing wrong."""
    word = rolls.choice(("Shed", "Gartenhaus", "\u6c34", "a b"))
    made.manifest["name"] = word
    if rolls.chance(2):
        _add(made, f"notes/{word}.md", "notes", f"# {word}\n".encode())
        made.manifest["notes"] = [f"notes/{word}.md"]
    if rolls.chance(2):
        _add(made, "LICENCE", "licence", b"For everybody.\n")
        made.manifest["licence"] = "LICENCE"
    for number in range(rolls.choice((0, 1, 30))):
        _add(made, f"more/{number}/x.bin", "other", rolls.bytes_like(rolls.choice((0, 1, 300))))
    made.described()
    return made.entries()


def _value(rolls: Rolls, key: str, value: Any) -> Any:
    """Another value of a manifest."""
    if isinstance(value, int) and not isinstance(value, bool):
        return rolls.number()
    return rolls.choice(
        (rolls.choice(NAMES), rolls.choice(("machine", "card", "other", "notes")), "0" * 64, rolls.word())
    )


KEYS = (
    "format",
    "version",
    "name",
    "machine",
    "files",
    "cards",
    "fingerprint",
    "notes",
    "recordings",
    "poster",
    "size",
)
KEYS += ("sha256", "role", "slot", "kind", "package", "model", "file", "title", "states", corpus.MACHINE, corpus.ROM)


def _wrong_manifest(rolls: Rolls, made: Made) -> list[Entry]:
    """A manifest that says something else."""
    if rolls.chance(4):
        card = {"slot": 1, "kind": "sram", "package": "backplane-simkit", "version": "0", "model": 1}
        card[rolls.choice(("kind", "package", "version"))] = rolls.choice(("no-such", "a; b", "\x1b[2J", rolls.word()))
        made.manifest["cards"] = [card]
    else:
        made.manifest = changed(rolls, made.manifest, _value, KEYS)
    entries = made.entries()
    if rolls.chance(4):
        head = json.dumps(made.manifest, sort_keys=rolls.chance(2), indent=rolls.choice((None, 1)))
        deep = rolls.choice((10, 800, 1000, 100_000))
        strange = (head, head + head, "[" * deep, '{"a":' * deep, "NaN", head.replace(":1", ":1e400"), "1" * 9000, "")
        entries[0] = entry(NAME, rolls.choice(strange).encode("utf-8", "surrogatepass"))
    elif rolls.chance(8):
        entries[0] = entry(NAME, rolls.spoil(made.head()))
    return entries


def _wrong_machine(rolls: Rolls, made: Made) -> list[Entry]:
    """A machine file that names what is none of the kit's, or is wrong."""
    tree = copy.deepcopy(rolls.choice(corpus.machines())[corpus.MACHINE])
    assert isinstance(tree, dict)
    path = rolls.choice((rolls.choice(LEADS_OUT), paths.to_read(rolls), "roms/../../x", "machine.toml"))
    card = rolls.choice(tree.get("card") or [{}])
    roll = rolls.randrange(6)
    if roll == 0:
        tree["base"] = path
    elif roll == 1:
        card["image"] = path
    elif roll == 2:
        card[rolls.choice(("labels", "listing"))] = rolls.choice((path, [path], [corpus.LABELS, path]))
    elif roll == 3:
        card["kind"] = f"file:{path}:Card"
    elif roll == 4:
        tree = changed(rolls, tree, texts.known_value, texts.KEYS)
    else:
        line = f'file\tid=0,name="{path}",size=9,mtime=0x0,mod=0\n'
        made.contents[corpus.LABELS] = b"version\tmajor=2,minor=0\n" + line.encode("utf-8", "replace")
        made.manifest["files"].setdefault(corpus.LABELS, {"role": "labels"})
    made.contents[made.manifest["machine"]] = toml(rolls, tree).encode("utf-8", "surrogatepass")
    made.described()
    return made.entries()


def _wrong_names(rolls: Rolls, made: Made) -> list[Entry]:
    """Names that lead out, that are one on some systems, or that none can have."""
    for name in rolls.some(NAMES, 2):
        _add(made, name, rolls.choice(("other", "card", "state")), b"x")
    made.described()
    if rolls.chance(3):  # the manifest says nothing of it
        made.manifest["files"].pop(rolls.choice(list(made.manifest["files"])))
    return made.entries()


def _wrong_entry(rolls: Rolls, one: Entry) -> Entry:
    """An entry that lies."""
    number = rolls.choice((0, 1, len(one.packed), one.size + 1, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF))
    field = rolls.choice(("flags", "method", "crc", "packed", "size", "name", "offset", "rights"))
    value: Any = number & 0xFFFF if field in ("flags", "method", "rights") else number
    if field == "name":
        raw = rolls.choice(NAMES).encode("utf-8", "surrogatepass")
        value = rolls.choice(
            (raw, FILES.encode() + raw, one.name + b"\0" + raw, b"\xff", one.name.upper(), NAME.encode())
        )
    if field == "rights":
        value = rolls.choice((0o120777, 0o040755, 0o010644, 0o020666, 0, 0o106755))
    lie = {field: value}
    roll = rolls.randrange(8)
    if roll < 3:
        return attrs.evolve(one, here=lie, there=lie)
    if roll < 5:
        return attrs.evolve(one, **{rolls.choice(("here", "there")): lie})
    if roll == 5:
        extra = struct.pack("<2H3Q", 1, 24, one.size, len(one.packed), 0)
        return attrs.evolve(one, extra=rolls.choice((extra, b"\1", extra[:9])), comment=rolls.choice((b"", b"PK\5\6")))
    if roll == 6:
        return attrs.evolve(one, before=rolls.choice((b"x", b"PK\3\4", rolls.randbytes(40))))
    zeros, _ = _zeros(rolls.choice((1, 100_000, 30_000_000)))
    return attrs.evolve(zeros, name=one.name, size=rolls.choice((one.size, zeros.size)))


def _wrong_zip(rolls: Rolls, made: Made) -> bytes:
    """A zip file that lies."""
    entries = made.entries()
    for _ in range(rolls.choice((1, 1, 2))):
        at = rolls.randrange(len(entries))
        entries[at] = _wrong_entry(rolls, entries[at])
    roll = rolls.randrange(8)
    if roll == 0:
        entries.insert(rolls.randrange(len(entries)), rolls.choice(entries))
    elif roll == 1:
        rolls.shuffle(entries)
    elif roll == 2:
        entries.pop(rolls.randrange(len(entries)))
    strange = (b"", b"", b"", b"x", b"PK\5\6", struct.pack("<4sLQL", b"PK\6\7", 0, 0, 1), b"PK\1\2" + bytes(42))
    count = rolls.choice((None, None, None, 0, len(entries) + 1, 2001, 2002, 0xFFFF))
    parts = {name: rolls.choice(strange) for name in rolls.some(("before", "between", "more", "comment"), 2)}
    return zip_of(entries, count=count, **parts)


@cache
def _zeros(size: int) -> tuple[Entry, str]:
    """An entry of so many zeros, and their SHA-256; made piece by piece, or its memory would be taken for the kit's."""
    packing, crc, sha256 = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS), 0, hashlib.sha256()
    packed = b""
    for begin in range(0, size, 1 << 20):
        piece = bytes(min(1 << 20, size - begin))
        packed += packing.compress(piece)
        crc = zlib.crc32(piece, crc)
        sha256.update(piece)
    return Entry(FILES.encode(), packed + packing.flush(), size, crc), sha256.hexdigest()


def _many(rolls: Rolls, made: Made) -> list[Entry]:
    """Very many files, or very large ones."""
    count, size = rolls.choice(
        ((1999, 0), (2000, 1), (2001, 1), (5000, 0), (3, 20_000_000), (11, 20_000_000), (1, 100_000_001))
    )
    packed, sha256 = _zeros(size)
    said = {"role": "other", "sha256": sha256, "size": size}
    names = [f"zz/{number:05}" for number in range(count)]
    made.manifest["files"] |= dict.fromkeys(names, said)
    return [*made.entries(), *(attrs.evolve(packed, name=(FILES + name).encode()) for name in names)]


HOW: tuple[tuple[int, Callable[[Rolls, Made], list[Entry] | bytes]], ...] = (
    (60, _sound),
    (50, _wrong_manifest),
    (50, _wrong_machine),
    (30, _wrong_names),
    (50, _wrong_zip),
    (1, _many),
)
"""How often each is made, of all that is not spoilt afterwards."""


def content(rolls: Rolls) -> bytes:
    """Content of a kit's file."""
    (how,) = rolls.choices([make for _, make in HOW], [often for often, _ in HOW])
    made = how(rolls, _start(rolls))
    data = made if isinstance(made, bytes) else zip_of(made)
    if rolls.chance(9):
        data = rolls.spoil(data)
    return data


def kit(rolls: Rolls) -> Sample:
    """A kit, and now and then something in the way where it is unpacked."""
    return Sample(call="kit", files={KIT: content(rolls), **_in_the_way(rolls)}, argv=(KIT,))


def _in_the_way(rolls: Rolls) -> dict[str, Content]:
    if rolls.randrange(6):
        return {}
    return rolls.choice(
        (
            {OUT: b"a file"},
            {f"{OUT}/machine.toml": b"mine"},
            {f"{OUT}/machine.toml": Special(LINK, "../../foreign/other.toml")},
            {f"{OUT}/roms": Special(LINK, "../../foreign")},
            {f"{OUT}/more": Special(LINK, "../../foreign")},
            {f"{OUT}/notes": Special(LINK, "nothing")},
            {f"{OUT}/machine.toml": Special(FOLDER)},
            {OUT: Special(LINK, OUT)},
            {OUT: Special(FOLDER)},
        )
    )
