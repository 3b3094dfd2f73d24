"""A map in sections of tables, for Markdown and for a page: addresses, registers, wiring, vectors, lines, notes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

import attrs

from simkit.address_map.drawn import drawn
from simkit.address_map.whole import AddressMap
from simkit.address_map.words import (
    access_text,
    address_text,
    bits_text,
    card_name,
    head,
    line_text,
    mirrors_text,
    told_rows,
    vector_text,
)
from simkit.contract.plain import plain
from simkit.files.formats import generator_meta, html_format
from simkit.logic.wired.told import lines as decoder_lines
from simkit.looks.colours import INK, MUTED, PAPER, WHITE, web
from simkit.looks.drawing import svg
from simkit.machine.registers import Placed
from simkit.machinefile.description import CardDescription, different

MAKER = "simkit map"
PAGE = html_format("a page of simkit map", MAKER)


@attrs.frozen
class Section:
    """A part of the document.

    Attributes:
        title: its heading.
        columns: heads of a table, () for none.
        rows: of the table, a text per column.
        words: paragraphs before the table.
        lines: lines behind it that keep their columns.
    """

    title: str
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    words: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()


def sections(found: AddressMap) -> list[Section]:
    """The map in sections."""
    parts = [
        Section(
            "Addresses",
            ("Addresses", "Who answers"),
            tuple(told_rows(found)),
        )
    ]
    backplane = found.machine.description.decode
    if backplane is not None:
        parts.append(Section("Decoder and switches on the backplane", lines=tuple(decoder_lines(backplane))))
    for slot, card in found.cards.items():
        parts += _of_card(found, slot, card)
    parts.append(Section("Vectors", ("Vector", "At", "Leads to"), tuple(_vectors(found))))
    parts.append(Section("Lines", ("Line", "Who"), tuple((one.name, line_text(found, one)) for one in found.lines)))
    notes = [f"{card_name(found, slot)}: {card.note}" for slot, card in found.cards.items() if card.note]
    note = found.machine.description.note
    if note or notes:
        parts.append(Section("Notes", words=(*((note,) if note else ()), *notes)))
    return parts


def _vectors(found: AddressMap) -> Iterator[tuple[str, ...]]:
    for one in found.vectors:
        words = vector_text(found, one).split("  ", 2)
        yield one.name, f"${one.at:04X}", words[-1].removeprefix(f"${one.at:04X}").strip()


def _of_card(found: AddressMap, slot: int, card: CardDescription) -> Iterator[Section]:
    faithful = f"Faithful to {card.card.faithful_to}." if card.card.faithful_to else ""
    yield Section(
        f"{card_name(found, slot)[:1].upper()}{card_name(found, slot)[1:]}: {card.card.title or card.kind}",
        ("What", "How"),
        tuple(_wiring(card)),
        (faithful,) if faithful else (),
    )
    if card.decode is not None:
        yield Section(f"Decoder and switches of slot {slot}", lines=tuple(decoder_lines(card.decode)))
    registers = found.registers_of(slot)
    if registers:
        yield Section(
            f"Registers of slot {slot}",
            ("Address", "Register", "Access", "Bits and meaning"),
            tuple(_register(one, card) for one in registers),
        )


def _wiring(card: CardDescription) -> Iterator[tuple[str, str]]:
    for text in card.select:
        yield "select, A15 to A0", text
    for text in card.not_select:
        yield "not selected", text
    for pin, line in {**card.wires, **card.lines}.items():
        yield f"pin {pin}", f"on {line}"
    changed = different(card.settings)
    for field in attrs.fields(card.card.Settings):
        if field.name in changed:
            help_text = field.metadata.get("help", "")
            yield f"setting {field.name}", f"{changed[field.name]}{f': {help_text}' if help_text else ''}"
    if card.image is not None:
        yield "image", card.image.name


def _register(one: Placed, card: CardDescription) -> tuple[str, ...]:
    effects = (("read", one.register.read_effect), ("write", one.register.write_effect))
    told = [bits_text(one, card.lines), one.register.help, mirrors_text(one)]
    told += [f"a {side} {effect}" for side, effect in effects if effect]
    return address_text(one), one.register.name, access_text(one), "; ".join(text for text in told if text)


def markdown(found: AddressMap, parts: Iterable[Section]) -> str:
    """The map in Markdown (CommonMark with the tables of GitHub Flavored Markdown 0.29, section 4.10)."""
    lines = [f"# {_md(head(found))}"]
    for part in parts:
        lines += ["", f"## {_md(part.title)}"]
        for words in part.words:
            lines += ["", _md(words)]
        if part.rows:
            lines += ["", _md_row(part.columns), _md_row(["---"] * len(part.columns))]
            lines += [_md_row(row) for row in part.rows]
        if part.lines:  # indented by four: a code block, which no text can end
            lines += ["", *(f"    {plain(line)}".rstrip() for line in part.lines)]
    return "\n".join(lines) + "\n"


_MARKED = str.maketrans({sign: f"\\{sign}" for sign in "\\`*_[]<>|#"})


def _md(text: str) -> str:
    """A text that is nothing but a text."""
    return " ".join(plain(text).split()).translate(_MARKED)


def _md_row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cell if cell == '---' else _md(cell) for cell in cells)} |"


_STYLE = f"""
body {{ background: {web(WHITE)}; color: {web(INK)}; font: 15px/1.45 "DejaVu Sans", "Liberation Sans", sans-serif;
  max-width: 84em; margin: 1.5em auto; padding: 0 1em; }}
h1 {{ font-size: 1.5em; }} h2 {{ font-size: 1.15em; margin-top: 2em; break-after: avoid; }}
table {{ border-collapse: collapse; }} th, td {{ border: 1px solid {web(MUTED)}; padding: .2em .6em; text-align: left;
  vertical-align: top; }} th {{ background: {web(PAPER)}; }} tr {{ break-inside: avoid; }}
td:first-child {{ white-space: pre; font-family: "DejaVu Sans Mono", "Liberation Mono", monospace; }}
.wide {{ overflow-x: auto; }} .wide svg {{ max-width: 100%; height: auto; min-width: 56em; }}
@media print {{ body {{ font-size: 9pt; }} .wide svg {{ min-width: 0; }} }}
"""


def html(found: AddressMap, parts: Iterable[Section]) -> str:
    """The map as one page that holds no script and loads nothing."""
    title = escape(plain(head(found)))
    body = [f"<h1>{title}</h1>", f'<div class="wide" tabindex="0">{svg(drawn(found))}</div>']
    for part in parts:
        body.append(f"<h2>{escape(plain(part.title))}</h2>")
        body += [f"<p>{escape(plain(words))}</p>" for words in part.words]
        if part.rows:
            cells = "".join(f'<th scope="col">{escape(plain(name))}</th>' for name in part.columns)
            body.append(f'<div class="wide" tabindex="0"><table><thead><tr>{cells}</tr></thead><tbody>')
            body += ["<tr>" + "".join(f"<td>{escape(plain(cell))}</td>" for cell in row) + "</tr>" for row in part.rows]
            body.append("</tbody></table></div>")
        if part.lines:
            text = "\n".join(escape(plain(line)) for line in part.lines)
            body.append(f'<div class="wide" tabindex="0"><pre>{text}</pre></div>')
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            generator_meta(MAKER),
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{title}</title>",
            f"<style>{_STYLE}</style>",
            "</head>",
            "<body>",
            "<main>",
            *body,
            "</main>",
            "</body>",
            "</html>",
            "",
        )
    )
