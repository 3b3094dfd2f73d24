"""Writes a kit: the same contents give the same bytes on the same Python."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping

from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.kitfile.manifest import FOLDER, NAME, File, Manifest
from simkit.kitfile.reading import MAX_KIT_BYTES, MAX_TOTAL_BYTES

LEVEL = 9
KIT = Format("a kit", lambda content: content.startswith(b"PK\3\4") and content[30 : 30 + len(NAME)] == NAME.encode())

_DATE = (1980, 1, 1, 0, 0, 0)
_PLAIN_FILE = 0o100644 << 16


def described(role: str, content: bytes) -> File:
    """What a manifest says of a file."""
    return File(role, hashlib.sha256(content).hexdigest(), len(content))


def kit_bytes(manifest: Manifest, contents: Mapping[str, bytes]) -> bytes:
    """The file.

    Args:
        manifest: of the kit.
        contents: content of each of its files, by name.

    Raises:
        SimkitError: it is larger than a kit may be.
    """
    total = sum(map(len, contents.values()))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        _put(archive, NAME, manifest.content())
        for name in sorted(manifest.files):
            _put(archive, FOLDER + name, contents[name])
    data = buffer.getvalue()
    if total > MAX_TOTAL_BYTES or len(data) > MAX_KIT_BYTES:
        raise SimkitError(
            f"The kit would hold {total} bytes, {len(data)} packed; {MAX_TOTAL_BYTES} and {MAX_KIT_BYTES} are allowed.",
            remedy="Leave recordings or included files out.",
        )
    return data


def _put(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    info = zipfile.ZipInfo(name, _DATE)
    info.create_system = 3  # the same on every system
    info.external_attr = _PLAIN_FILE
    info.compress_type = zipfile.ZIP_DEFLATED
    archive.writestr(info, content, compresslevel=LEVEL)
