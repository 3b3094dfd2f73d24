"""A page for a kit: everything that a web host has to serve, by its name in the folder."""

from __future__ import annotations

import gzip
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

import attrs

from simkit.machine.addresses import addresses_of
from simkit.machine.machine import Machine
from simkit.page.packages import OWN, python_zip
from simkit.page.runtime import FILES, Runtime, compiled
from simkit.page.written import TEMPLATE, index_html

SCRIPTS = (
    *("page.js", "machine.js", "worker.js", "picture.js", "hands.js", "parts.js", "tapes.js", "own.js", "numbers.js"),
    *("opened.js", "page.css"),
)
"""Files that every page has as they are."""
STORED = (".zip", ".kit", ".png")
"""What a web host cannot make smaller."""


@attrs.frozen
class Content:
    """What a page is made of.

    Attributes:
        kit: the kit, as a file.
        facts: what the page's host in the browser needs (`simkit.page.host.Host`).
        recordings: title, length in seconds, chapters with name, seconds and caption in HTML, by recording.
        notes: Markdown.
        poster: a PNG, or None.
        identity: of the kit.
        licence: of the machine's files, a sentence, or "".
        packages: names of packages besides the kit's own that the machine's cards come from.
    """

    kit: bytes
    facts: Mapping[str, Any]
    recordings: Sequence[Mapping[str, Any]] = ()
    notes: Sequence[str] = ()
    poster: bytes | None = None
    identity: str = ""
    licence: str = ""
    packages: Sequence[str] = ()


def page_files(machine: Machine, content: Content, runtime: Runtime) -> dict[str, bytes]:
    """All files of a page by their names in its folder.

    Args:
        machine: of the kit, for what is told of it; it is not run.
        content: the kit and what goes with it.
        runtime: Python for browsers.

    Raises:
        SimkitError: a package that the cards need cannot run in a browser.
    """
    files = {name: TEMPLATE.with_name(name).read_bytes() for name in SCRIPTS}
    files |= {f"runtime/{name}": runtime.files[name] for name in FILES}
    packages = python_zip(content.packages)
    files |= {"python.zip": compiled(packages, runtime) or packages, "machine.kit": content.kit}
    if content.poster is not None:
        files["poster.png"] = content.poster
    described = machine.description
    name = described.name
    facts = {"name": name, "machine": content.facts, "recordings": content.recordings}
    files["index.html"] = index_html(
        name=name,
        about=described.about,
        facts=facts,
        recordings=content.recordings,
        notes=[*filter(None, [described.note]), *content.notes],
        addresses=[_card(machine, slot) for slot in sorted(machine.cards)],
        info=_info(machine, content, runtime, compressed(files)),
        has_poster=content.poster is not None,
    )
    return files


def compressed(files: Mapping[str, bytes]) -> int:
    """Bytes that a browser gets of the files from a host that compresses (RFC 1952)."""
    return sum(
        len(data) if name.endswith(STORED) else len(gzip.compress(data, 6, mtime=0)) for name, data in files.items()
    )


def _card(machine: Machine, slot: int) -> tuple[str, str, str, list[str]]:
    """A card in the address map."""
    areas, found = addresses_of(machine, slot)
    view = machine.cards[slot]
    registers = [
        f"{' '.join(f'${address:04X}' for address in found.get(one.offset, ())[:1])} {one.name} ({one.access})".strip()
        for one in view.registers
    ]
    return f"{slot}", view.title, ", ".join(areas), registers


def _info(machine: Machine, content: Content, runtime: Runtime, size: int) -> list[str]:
    """What the page is made of, in sentences."""
    described = machine.description
    files = [f"slot {card.slot} {card.kind}" for card in described.cards if card.kind.startswith("file:")]
    return [
        f"{described.name}: a {described.cpu} at {described.clock_text}.",
        *([f"Kit {content.identity}."] if content.identity else []),
        *([content.licence] if content.licence else []),
        *([f"Cards of the machine's own, whose Python code runs here: {', '.join(files)}."] if files else []),
        f"Made with simkit {version(OWN)}; in the browser runs the same Python code and the same CPU core as on a "
        f"desktop, on Pyodide {runtime.version}{f' ({runtime.licence})' if runtime.licence else ''}.",
        f"All files together, compressed: {size / 1e6:.1f} MB. Nothing is asked of any other host.",
    ]
