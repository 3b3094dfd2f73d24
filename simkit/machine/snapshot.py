"""Snapshots: a machine's whole state in a zip file, canonical, never pickled, read by bounded readers.

manifest.json   format, version, fingerprint (parts and models), seed, cycle
state.json      bus, CPU, findings
cards/NN.json   state of the card in slot NN; bytes lie beside it as cards/NN/K
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.machine.fingerprint import Fingerprint

FORMAT = "simkit-state"
VERSION = 3
MAX_ENTRIES = 4_000
MAX_ENTRY_BYTES = 8_000_000
MAX_TOTAL_BYTES = 64_000_000
HASH_BYTES = 8

_BLOB = "$bytes"
_PLAIN = frozenset({type(None), bool, int, float, str})
_DATE = (1980, 1, 1, 0, 0, 0)  # fixed, so that the same state gives the same file


class SnapshotError(SimkitError):
    """The file is not a snapshot this machine can take."""


@attrs.frozen
class Snapshot:
    """Content of a snapshot file.

    Attributes:
        fingerprint: of the machine it was taken of.
        seed: of that machine.
        cycle: when it was taken.
        state: bus, CPU and findings.
        cards: state by slot.
    """

    fingerprint: Fingerprint
    seed: int
    cycle: int
    state: dict[str, Any]
    cards: dict[int, dict[str, Any]]


def pack(snapshot: Snapshot) -> bytes:
    """The snapshot as a file."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        manifest = {
            "format": FORMAT,
            "version": VERSION,
            "fingerprint": snapshot.fingerprint.to_data(),
            "seed": snapshot.seed,
            "cycle": snapshot.cycle,
        }
        _put(archive, "manifest.json", _json(manifest))
        _put(archive, "state.json", _json(snapshot.state))
        for slot, state in sorted(snapshot.cards.items()):
            blobs: list[bytes] = []
            plain = _without_bytes(state, blobs)
            _put(archive, f"cards/{slot:02d}.json", _json(plain))
            for number, blob in enumerate(blobs):
                _put(archive, f"cards/{slot:02d}/{number}", blob)
    return buffer.getvalue()


def hashes(snapshot: Snapshot) -> dict[str, str]:
    """A hash of each part of a state, by its name in words.

    Left out are outside events still queued, as input that somebody has planned is no part of what the machine is; and
    lines that no pin is joined to, as they come and go with those who look at them.
    """
    bus = dict(snapshot.state["bus"])
    del bus["outside"]
    bus["lines"] = {name: line for name, line in bus["lines"].items() if line["pins"]}
    parts = {**snapshot.state, "bus": bus, **{f"slot {slot}": state for slot, state in snapshot.cards.items()}}
    found = {}
    for name, state in parts.items():
        blobs: list[bytes] = []
        digest = hashlib.blake2b(_json(_without_bytes(state, blobs)), digest_size=HASH_BYTES)
        for blob in blobs:
            digest.update(len(blob).to_bytes(8, "big") + blob)
        found[name] = digest.hexdigest()
    return found


def unpack(data: bytes) -> Snapshot:
    """Read a snapshot file.

    Raises:
        SnapshotError: truncated, damaged, too large, of another format or version.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            content = _entries(archive)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError) as error:
        raise SnapshotError(
            "The state is damaged or truncated: it is not a whole zip file.",
            remedy="Save it again, or use another file.",
        ) from error
    manifest = _object(content, "manifest.json")
    if manifest.get("format") != FORMAT:
        raise SnapshotError(
            "The file is a zip file, but not a machine's state.", remedy="Name a file written by a save."
        )
    if manifest.get("version") != VERSION:
        raise SnapshotError(
            f"The state has format version {manifest.get('version')!r}; this kit reads version {VERSION}.",
            remedy="Take the state again with this version.",
        )
    state = _object(content, "state.json")
    cards: dict[int, dict[str, Any]] = {}
    for name in content:
        if name.startswith("cards/") and name.endswith(".json"):
            number = name[len("cards/") : -len(".json")]
            if not (number.isascii() and number.isdigit() and len(number) < 4):
                raise SnapshotError(f"The state holds an entry {name!r} that names no slot.")
            cards[int(number)] = _with_bytes(_object(content, name), content, f"cards/{number}/")
    cycle, seed = manifest.get("cycle"), manifest.get("seed")
    if not isinstance(cycle, int) or not isinstance(seed, int):
        raise SnapshotError("The state's manifest lacks cycle or seed.")
    try:
        fingerprint = Fingerprint.from_data(manifest.get("fingerprint"))
    except ValueError as error:
        raise SnapshotError(f"The state's manifest does not say of which machine it is: {error}.") from error
    return Snapshot(fingerprint, seed, cycle, state, cards)


def _entries(archive: zipfile.ZipFile) -> dict[str, bytes]:
    infos = archive.infolist()
    if len(infos) > MAX_ENTRIES:
        raise SnapshotError(f"The state holds {len(infos)} entries; {MAX_ENTRIES} are allowed.")
    total = 0
    content: dict[str, bytes] = {}
    for info in infos:
        total += info.file_size
        if info.file_size > MAX_ENTRY_BYTES or total > MAX_TOTAL_BYTES:
            raise SnapshotError("The state unpacks to more than is allowed.")
        with archive.open(info) as entry:
            data = entry.read(MAX_ENTRY_BYTES + 1)
        if len(data) != info.file_size:
            raise SnapshotError("The state is damaged: an entry has another size than it says.")
        content[info.filename] = data
    return content


def _object(content: Mapping[str, bytes], name: str) -> dict[str, Any]:
    if name not in content:
        raise SnapshotError(f"The state lacks {name}.", remedy="Save it again, or use another file.")
    try:
        value = json.loads(content[name])
    except (ValueError, RecursionError) as error:
        raise SnapshotError(f"The state is damaged: {name} is not JSON.") from error
    if not isinstance(value, dict):
        raise SnapshotError(f"The state is damaged: {name} holds no table.")
    return value


def _put(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, _DATE)
    info.compress_type = zipfile.ZIP_DEFLATED
    archive.writestr(info, data, compresslevel=1)


def _json(value: object) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":")).encode()


def as_json(value: dict[str, Any]) -> dict[str, Any]:
    """A table as a file would give it back."""
    found: dict[str, Any] = json.loads(_json(value))
    return found


def _without_bytes(value: Any, blobs: list[bytes]) -> Any:
    if type(value) in _PLAIN:  # nearly all
        return value
    if isinstance(value, bytes | bytearray):
        blobs.append(bytes(value))
        return {_BLOB: len(blobs) - 1}
    if isinstance(value, Mapping):
        return {key: _without_bytes(inner, blobs) for key, inner in sorted(value.items())}
    if isinstance(value, list | tuple):
        return [_without_bytes(inner, blobs) for inner in value]
    return value


def _with_bytes(value: Any, content: Mapping[str, bytes], folder: str) -> Any:
    if isinstance(value, dict):
        if set(value) == {_BLOB}:
            name = f"{folder}{value[_BLOB]}"
            if name not in content:
                raise SnapshotError(f"The state lacks {name}.")
            return content[name]
        return {key: _with_bytes(inner, content, folder) for key, inner in value.items()}
    if isinstance(value, list):
        return [_with_bytes(inner, content, folder) for inner in value]
    return value
