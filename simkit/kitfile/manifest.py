"""The manifest of a kit: which machine it is, which files it holds, which cards it needs. Its hash is the identity.

Names and versions of packages, which stand in a command for people to enter: Python Packaging Authority, Names and
normalization, and Version specifiers (from memory).
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

import attrs

from simkit.contract.shapes import CYCLE, TEXT, Shape, StateError, choice, many, optional, record, row, table, whole
from simkit.contract.strict_json import strict_object
from simkit.kitfile.names import problem_of, same_for_some

FORMAT = "simkit-kit"
VERSION = 1
NAME = "kit.json"
"""Name of the manifest in the file."""
FOLDER = "files/"
"""Where the files lie in the file."""
MAX_BYTES = 2_000_000
MAX_FILES = 2_000
MAX_FILE_BYTES = 100_000_000
MAX_TEXT = 200
MAX_MODEL = 1 << 31

ROLES = (
    *("machine", "base", "image", "program", "labels", "listing", "constants", "schematic", "fuses", "source"),
    *("parts", "card", "controls", "notes", "recording", "state", "licence", "poster", "other"),
)
"""What a file of a kit is."""


@attrs.frozen
class File:
    """A file of a kit.

    Attributes:
        role: one of ROLES.
        sha256: of its content, in hexadecimal.
        size: bytes.
    """

    role: str
    sha256: str
    size: int


@attrs.frozen
class Needed:
    """A card that the machine has.

    Attributes:
        slot: where it stands.
        kind: as the machine file says it.
        package: that brings it, or "" for a file of the kit.
        version: of the package, or "".
        model: that its author gave it.
    """

    slot: int
    kind: str
    package: str
    version: str
    model: int


@attrs.frozen
class Recorded:
    """A recording in a kit.

    Attributes:
        file: of the recording.
        title: what it is called.
        states: states of the machine on its way, by (power-on, cycle), to jump from.
    """

    file: str
    title: str
    states: tuple[tuple[tuple[int, int], str], ...] = ()


@attrs.frozen(kw_only=True)
class Manifest:
    """What a kit says of itself.

    Attributes:
        name: of the machine.
        about: what it is.
        machine: its machine file.
        files: all files by name.
        cards: in slot order.
        fingerprint: of the machine, as `Fingerprint.to_data` gives it.
        notes: Markdown files.
        recordings: in the order they were named.
        licence: text of the licence, or None.
        poster: a picture of the machine, or None.
    """

    name: str
    about: str
    machine: str
    files: Mapping[str, File]
    cards: tuple[Needed, ...]
    fingerprint: Mapping[str, Any]
    notes: tuple[str, ...] = ()
    recordings: tuple[Recorded, ...] = ()
    licence: str | None = None
    poster: str | None = None

    def content(self) -> bytes:
        """As it stands in the file: the same manifest gives the same bytes."""
        data = {"format": FORMAT, "version": VERSION, **_MANIFEST.data(attrs.asdict(self, recurse=False))}
        return (json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True) + "\n").encode()

    @property
    def identity(self) -> str:
        """The kit's identity: a hash of all that it holds, in hexadecimal."""
        return hashlib.sha256(self.content()).hexdigest()


class UnknownVersionError(ValueError):
    """The manifest is of another version."""


def _matching(pattern: str, problem: str) -> Shape:
    known = re.compile(pattern)
    return TEXT.that(lambda text: known.fullmatch(text) is not None, problem)


_LINE = _matching(
    rf"[^\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]{{0,{MAX_TEXT}}}", f"no line of {MAX_TEXT} characters"
)
_HEX = _matching(r"[0-9a-f]{64}", "no SHA-256 in hexadecimal")
_PACKAGE = _matching(r"|[A-Za-z0-9](?:[A-Za-z0-9._-]{0,98}[A-Za-z0-9])?", "not the name of a package")
_VERSION = _matching(r"[A-Za-z0-9.!+_-]{0,100}", "not the version of a package")
_FILE = record(role=choice(*ROLES), sha256=_HEX, size=whole(0, MAX_FILE_BYTES)).into(
    lambda found: File(**found), attrs.asdict
)
_NEEDED = record(slot=whole(1, 99), kind=_LINE, package=_PACKAGE, version=_VERSION, model=whole(0, MAX_MODEL)).into(
    lambda found: Needed(**found), attrs.asdict
)
_STATE = row(row(whole(1), CYCLE), TEXT)
_RECORDED = record(file=TEXT, title=_LINE, states=many(_STATE).into(tuple, list)).into(
    lambda found: Recorded(**found), lambda kept: attrs.asdict(kept, recurse=False)
)
_FINGERPRINT = record(
    parts=table(_LINE).into(dict), models=table(row(_LINE, whole(0, MAX_MODEL)).into(list)).into(dict)
)
_MANIFEST = record(
    name=_LINE,
    about=_LINE,
    machine=TEXT,
    files=table(_FILE).into(dict),
    cards=many(_NEEDED).into(tuple, list),
    fingerprint=_FINGERPRINT,
    notes=many(TEXT).into(tuple, list),
    recordings=many(_RECORDED).into(tuple, list),
    licence=optional(TEXT),
    poster=optional(TEXT),
)
_ROLE_OF = {"machine": "machine", "licence": "licence", "poster": "poster"}


def read_manifest(content: bytes) -> Manifest:
    """A manifest from its text.

    Raises:
        UnknownVersionError: it is of a version that is not known here.
        StateError: something in it is wrong; says where.
    """
    data = strict_object(content)
    if data is None:
        raise StateError("", "its manifest is no JSON that a kit holds")
    if data.get("format") != FORMAT:
        raise StateError("format", "it is not that of a kit")
    if data.get("version") != VERSION:
        raise UnknownVersionError(str(data.get("version"))[:20])
    given = {name: value for name, value in data.items() if name not in ("format", "version")}
    found = Manifest(**_MANIFEST.take(given))
    _check(found)
    if found.content() != content:
        raise StateError("", "its manifest is not written as a kit's is")
    return found


def _check(manifest: Manifest) -> None:
    """Names that can be, and files that are there in their roles."""
    files = manifest.files
    if len(files) > MAX_FILES:
        raise StateError("files", f"has {len(files)} files, and {MAX_FILES} are allowed")
    for name in files:
        problem = problem_of(name)
        if problem is not None:
            raise StateError("files", f"{name[:80]!r} cannot be the name of a file: {problem}")
    alike = same_for_some(files)
    if alike is not None:
        raise StateError("files", f"{alike[0]!r} and {alike[1]!r} cannot both be there on every system")
    named = [
        *((field, getattr(manifest, field), role) for field, role in _ROLE_OF.items()),
        *(("notes", name, "notes") for name in manifest.notes),
        *(("recordings", one.file, "recording") for one in manifest.recordings),
        *(("recordings", name, "state") for one in manifest.recordings for _, name in one.states),
    ]
    for field, name, role in named:
        if name is not None and (name not in files or files[name].role != role):
            raise StateError(field, f"{name[:80]!r} is no {role} among the files")
