"""What a tile-video card holds as one page to print: words, colours by name, every picture with its caption.

It holds no script and loads nothing.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence
from html import escape

from simkit_cards.tile_video.colours import COLOUR_NAMES

from simkit.contract.plain import plain
from simkit.files.formats import generator_meta, html_format
from simkit.inspect.pictures import png
from simkit.inspect.video import VideoLook
from simkit.looks.colours import INK, PAPER, WHITE, Rgb, web

MAKER = "simkit video"
PAGE = html_format("a page of simkit video", MAKER)

CAPTIONS = {
    "screen": (
        "Screen",
        "The last whole frame with its border. Numbers at the left are screen lines. Frames with a number are sprites, "
        "where the list of sprites puts them now.",
    ),
    "names": (
        "Name tables",
        "What the screen would show with its name table at each of the 16 places in memory. The thick frame and the "
        "word mark the one that is shown.",
    ),
    "patterns": (
        "Patterns",
        "All 256 patterns in their colours; at the left stands the number of the first one of each row. Where the "
        "thirds of the screen have patterns of their own the three sheets stand side by side.",
    ),
    "sprite-patterns": (
        "Sprite patterns",
        "In one colour, as a sprite has none of its own here; at the left stands the number of the first one of "
        "each row.",
    ),
    "sprites": (
        "Sprites",
        "The 32 sprites by number, in their colours. Grey under a line: behind the end of the list, not shown.",
    ),
    "memory": (
        "Video memory",
        "Each square is a byte, 128 a row. Its pattern says in which table it lies; a byte that is zero is dark with a "
        "light pattern, another one light with a dark pattern.",
    ),
}
"""Heading and caption by picture, in the order of the page."""

_NOT_NOW = "There is none in the mode that is set, or no frame has ended yet."


def html(look: VideoLook, title: str, about: str = "") -> str:
    """The whole page.

    Args:
        look: what the card holds.
        title: head of the page: machine, card and moment.
        about: what the machine is, or "".
    """
    pictures = look.pictures()
    words = look.words()
    registers = [line for line in words if line.startswith("register ")]
    tables = [line for line in words if line.startswith("$")]
    sprites = [line for line in words if line.startswith("sprite")]
    state = [line for line in words if line not in {*registers, *tables, *sprites}]
    figures = {name: _figure(name, png(pictures[name]) if name in pictures else b"") for name in CAPTIONS}
    parts = (
        figures["screen"],
        "<h2>State</h2>\n" + _list(state) if state else "",
        _section("Registers", "Register, byte and what it sets", registers, ("Register", "Byte and meaning"), " = "),
        _section("Tables in memory", "Address from and to, and what lies there", tables, ("Address", "Table"), "  "),
        _colours(look.colours),
        figures["memory"],
        figures["names"],
        figures["patterns"],
        _section("List of sprites", "What the list says of each", sprites, ("Sprite", "What it is"), ": "),
        figures["sprites"],
        figures["sprite-patterns"],
    )
    return _PAGE.format(
        generator=generator_meta(MAKER),
        title=_shown(title),
        about=f"<p>{_shown(about)}\n" if about else "",
        ink=web(INK),
        paper=web(PAPER),
        white=web(WHITE),
        parts="".join(parts),
    )


def _shown(text: str) -> str:
    return escape(plain(text))


def _figure(name: str, content: bytes) -> str:
    heading, caption = CAPTIONS[name]
    if not content:
        return f"<h2>{heading}</h2>\n<p>{_NOT_NOW}\n"
    source = f"data:image/png;base64,{b64encode(content).decode()}"
    return (
        f"<figure id={name}><h2>{heading}</h2>\n<img alt='{heading}' src='{source}'>\n"
        f"<figcaption>{caption}</figcaption></figure>\n"
    )


def _list(lines: Iterable[str]) -> str:
    return "<ul>\n" + "".join(f"<li>{_shown(line)}\n" for line in lines) + "</ul>\n"


def _section(heading: str, caption: str, lines: Sequence[str], columns: tuple[str, str], between: str) -> str:
    """Lines of words as a table of two columns, parted at the first `between`; those without it in one cell."""
    if not lines:
        return ""
    rows = []
    for line in lines:
        first, parted, rest = line.partition(between)
        rows.append(
            f"<tr><th scope=row>{_shown(first)}<td>{_shown(rest)}\n"
            if parted
            else f"<tr><td colspan=2>{_shown(line)}\n"
        )
    return _table(heading, caption, columns, rows)


def _table(heading: str, caption: str, columns: Sequence[str], rows: Sequence[str]) -> str:
    head = "".join(f"<th scope=col>{column}" for column in columns)
    return (
        f"<h2>{heading}</h2>\n<table><caption>{caption}</caption><thead><tr>{head}</thead>\n"
        f"<tbody>\n{''.join(rows)}</table>\n"
    )


def _colours(palette: Sequence[Rgb]) -> str:
    rows = [
        f"<tr><th scope=row>{number}<td>{name}<td class=swatch style='background-color:{web(colour)}'>"
        f"<td>{', '.join(map(str, colour))}\n"
        for number, (name, colour) in enumerate(zip(COLOUR_NAMES, palette, strict=True))
    ]
    columns = ("Number", "Name", "As seen", "Red, green, blue")
    return _table("Colours", "Numbers and names of the chip's colours, as this board shows them", columns, rows)


_PAGE = """<!doctype html>
<html lang=en><meta charset=utf-8>{generator}<title>{title}</title>
<meta name=viewport content="width=device-width">
<style>
body {{ font-family: sans-serif; margin: 2em; max-width: 70em; color: {ink}; background: {white} }}
h2 {{ margin: 1.6em 0 0.4em; break-after: avoid }}
figure {{ margin: 0; break-inside: avoid }}
figure h2 {{ break-after: avoid }}
img {{ max-width: 100%; max-height: 24cm; border: 1px solid {ink}; print-color-adjust: exact }}
figcaption, caption {{ text-align: left; margin: 0.3em 0; max-width: 45em }}
table {{ border-collapse: collapse; break-inside: avoid }}
td, th {{ padding: 0.15em 0.8em; text-align: left; vertical-align: top; border: 1px solid {ink} }}
thead th {{ background: {paper} }}
tbody th {{ font-weight: normal; white-space: nowrap }}
td.swatch {{ width: 5em; border: 2px solid {ink}; print-color-adjust: exact }}
</style>
<h1>{title}</h1>
{about}{parts}</html>
"""
