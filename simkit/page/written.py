"""The page as HTML: all that can be read without the machine, and the facts that its scripts need."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import Any

from simkit.contract.plain import plain
from simkit.files.formats import generator_meta, html_format
from simkit.looks.colours import INK, LIT, MUTED, PAPER, ROOM, WHITE, web
from simkit.page.markdown import as_html

MAKER = "simkit page"
PAGE = html_format("a page of simkit page", MAKER)
TEMPLATE = Path(__file__).parent / "static" / "index.html"

_COLOURS = {"ink": INK, "paper": PAPER, "white": WHITE, "muted": MUTED, "room": ROOM, "lit": LIT}


def index_html(
    *,
    name: str,
    about: str,
    facts: Mapping[str, Any],
    recordings: Sequence[Mapping[str, Any]],
    notes: Sequence[str],
    addresses: Sequence[tuple[str, str, str, Sequence[str]]],
    info: Sequence[str],
    has_poster: bool,
) -> bytes:
    """The content of index.html.

    Args:
        name: of the machine.
        about: what it is.
        facts: for the scripts.
        recordings: of the kit, as the page has them.
        notes: Markdown.
        addresses: slot, what the card is, its addresses, its registers, in words.
        info: what the page is made of, a sentence each.
        has_poster: whether there is a poster.png.
    """
    template = Template(TEMPLATE.read_text(encoding="utf-8"))
    poster = '<img id="poster" src="poster.png" alt="The picture of the machine as it was published">'
    return template.substitute(
        generator=generator_meta(MAKER),
        title=_shown(name),
        name=_shown(name),
        about=f"<p>{_shown(about)}</p>" if about else "",
        colours=" ".join(f"--{word}: {web(colour)};" for word, colour in _COLOURS.items()),
        facts=_script_json(facts),
        folder="MACHINE",
        poster=poster if has_poster else "",
        recordings=_RECORDINGS if recordings else '<div id="recordings" hidden></div>',
        notes=_notes(notes),
        map=_map(addresses),
        info="".join(f"<p>{_shown(sentence)}</p>\n" for sentence in info),
    ).encode()


_RECORDINGS = '<section id="recordings"><h2>Recordings</h2></section>'


def _notes(notes: Sequence[str]) -> str:
    return "".join(f'<section class="notes">\n{as_html(text)}</section>\n' for text in notes)


def _map(addresses: Sequence[tuple[str, str, str, Sequence[str]]]) -> str:
    rows = "".join(
        f"<tr><td>{_shown(slot)}<td>{_shown(card)}<td>{_shown(where)}<td>{'<br>'.join(map(_shown, registers))}\n"
        for slot, card, where, registers in addresses
    )
    head = "<thead><tr><th>Slot<th>Card<th>Answers at<th>Registers</thead>"
    return f'<div class="wide"><table>{head}\n<tbody>\n{rows}</tbody></table></div>'


def _script_json(value: Mapping[str, Any]) -> str:
    """JSON that cannot end the element it stands in (HTML Living Standard, 4.12.1.3)."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _shown(text: str) -> str:
    return escape(plain(text))
