"""The page as HTML: all that can be read without the machine, and the facts that its scripts need."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import Any

from simkit.contract.plain import plain
from simkit.files.bounded import is_file, read_bounded, read_text
from simkit.files.formats import generator_meta, html_format
from simkit.looks.colours import INK, LIT, MUTED, PAPER, ROOM, WHITE, web
from simkit.page.markdown import as_html

MAKER = "simkit page"
PAGE = html_format("a page of simkit page", MAKER)
TEMPLATE = Path(__file__).parent / "static" / "index.html"

INDEX = "index.html"
MAX_BYTES = 50_000_000
_COLOURS = {"ink": INK, "paper": PAPER, "white": WHITE, "muted": MUTED, "room": ROOM, "lit": LIT}


def index_html(
    *,
    name: str,
    about: str,
    facts: Mapping[str, Any],
    notes: Sequence[str],
    info: Sequence[str],
    has_poster: bool,
) -> bytes:
    """The content of index.html.

    Args:
        name: of the machine.
        about: what it is.
        facts: for the scripts; "recordings" among them.
        notes: Markdown.
        info: what the page is made of, a sentence each.
        has_poster: whether there is a poster.png.
    """
    template = Template(read_text(TEMPLATE, MAX_BYTES, "template of the page"))
    poster = '<img id="poster" src="poster.png" alt="The picture of the machine as it was published">'
    return template.substitute(
        generator=generator_meta(MAKER),
        title=_shown(name),
        name=_shown(name),
        about=f"<p>{_shown(about)}</p>" if about else "",
        colours=" ".join(f"--{word}: {web(colour)};" for word, colour in _COLOURS.items()),
        facts=_script_json(facts),
        folder=".",
        poster=poster if has_poster else "",
        recordings=_RECORDINGS if facts["recordings"] else '<div id="recordings" hidden></div>',
        notes=_notes(notes),
        info="".join(f"<p>{_shown(sentence)}</p>\n" for sentence in info),
    ).encode()


_RECORDINGS = '<section id="recordings"><h2>Recordings</h2></section>'


def is_page(folder: Path) -> bool:
    """Whether a folder holds a page that was made here, which may be made anew."""
    index = folder / INDEX
    return is_file(index) and PAGE.knows(read_bounded(index, MAX_BYTES, "page"))


def _notes(notes: Sequence[str]) -> str:
    return "".join(f'<section class="notes">\n{as_html(text)}</section>\n' for text in notes)


def _script_json(value: Mapping[str, Any]) -> str:
    """JSON that cannot end the element it stands in (HTML Living Standard, 4.12.1.3)."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _shown(text: str) -> str:
    return escape(plain(text))
