"""A page for a kit: everything that a web host has to serve, by its name in the folder. Nothing of the kit is run."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded, text_of
from simkit.kitfile.manifest import Manifest, Recorded
from simkit.kitfile.reading import Kit
from simkit.outside.recording import recording_of
from simkit.page.markdown import as_html
from simkit.page.packages import MAX_FILE_BYTES, OWN, python_zip
from simkit.page.runtime import FILES, Runtime, compiled
from simkit.page.written import TEMPLATE, index_html

SCRIPTS = (
    *("page.js", "machine.js", "worker.js", "picture.js", "hands.js", "parts.js", "tapes.js", "own.js", "numbers.js"),
    *("opened.js", "page.css"),
)
"""Files that every page has as they are."""
GZIP = 31
"""What zlib calls the format of RFC 1952."""
STORED = (".zip", ".kit", ".png")
"""What a web host cannot make smaller."""


def page_files(kit: Kit, content: bytes, runtime: Runtime) -> dict[str, bytes]:
    """All files of a page by their names in its folder.

    Args:
        kit: the machine.
        content: of the kit's file.
        runtime: Python for browsers.

    Raises:
        SimkitError: a note is no text, a recording cannot be read, or a package that the cards need cannot run in a
            browser.
    """
    manifest = kit.manifest
    files = {name: read_bounded(TEMPLATE.with_name(name), MAX_FILE_BYTES, "file of the kit") for name in SCRIPTS}
    files |= {f"runtime/{name}": runtime.files[name] for name in FILES}
    packages = python_zip(sorted({card.package for card in manifest.cards} - {"", OWN}))
    files |= {"python.zip": compiled(packages, runtime) or packages, "machine.kit": content}
    if manifest.poster is not None:
        files["poster.png"] = kit.contents[manifest.poster]
    recordings = [_recording(kit, one) for one in manifest.recordings]
    facts = {"name": manifest.name, "recordings": recordings}
    files["index.html"] = index_html(
        name=manifest.name,
        about=manifest.about,
        facts=facts,
        notes=[text_of(kit.contents[name], name, "notes") for name in manifest.notes],
        info=_info(manifest, runtime, compressed(files)),
        has_poster=manifest.poster is not None,
    )
    return files


def compressed(files: Mapping[str, bytes]) -> int:
    """Bytes that a browser gets of the files from a host that compresses (RFC 1952)."""
    return sum(
        len(data) if name.endswith(STORED) else len(zlib.compress(data, 6, wbits=GZIP)) for name, data in files.items()
    )


def _recording(kit: Kit, one: Recorded) -> dict[str, Any]:
    """A recording as the page's scripts and its host know it."""
    found = recording_of(kit.contents[one.file], Path(one.file))
    hz = _hz(found.header.clock, one.file)
    return {
        "file": one.file,
        "title": one.title,
        "seconds": float(found.cycles / hz),
        "chapters": [
            {"name": chapter.name, "seconds": float(chapter.cycles / hz), "caption": as_html(chapter.caption)}
            for chapter in found.chapters
        ],
        "states": [[list(at), name] for at, name in one.states],
    }


def _hz(clock: str | None, file: str) -> Any:
    if clock is None:
        raise SimkitError(
            "The recording does not say its clock.", file=file, remedy="Record it again with this version."
        )
    return parse_hz(clock)


def _info(manifest: Manifest, runtime: Runtime, size: int) -> list[str]:
    """What the page is made of, in sentences."""
    own = [f"slot {card.slot} {card.kind}" for card in manifest.cards if not card.package]
    return [
        f"Kit {manifest.identity}.",
        *([f"Cards of the machine's own, whose Python code runs here: {', '.join(own)}."] if own else []),
        f"Made with simkit {version(OWN)}; in the browser runs the same Python code and the same CPU core as on a "
        f"desktop, on Pyodide {runtime.version}{f' ({runtime.licence})' if runtime.licence else ''}.",
        f"All files together, compressed: {size / 1e6:.1f} MB. Nothing is asked of any other host.",
    ]
