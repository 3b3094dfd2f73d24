"""Coverage as a page: the total and what is missing first, then the annotated listing, from miss to miss by links.

It holds no script and loads nothing, prints in grey, and its links are plain ones.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from pathlib import Path

import attrs

from simkit.contract.plain import plain
from simkit.files.formats import generator_meta, html_format
from simkit.looks.colours import INK, MUTED, PAPER, WHITE, web
from simkit.rom.listing import Row
from simkit.testing.coverage import Counts, Program, TableRow, percent, table, total
from simkit.testing.spots import as_text

MAKER = "simkit coverage"
PAGE = html_format("a page of simkit coverage", MAKER)
NEVER, HALF, RAN, DATA = "never", "half", "ran", "data"


@attrs.define
class _Line:
    """A line of the listing.

    Attributes:
        at: spot of its first byte (`simkit.testing.spots`).
        file: source file; "" without a listing.
        number: line in it.
        text: source text.
        state: NEVER, HALF, RAN or DATA.
        remark: how often it ran.
    """

    at: int
    file: str
    number: int | None
    text: str
    state: str
    remark: str

    @property
    def is_miss(self) -> bool:
        return self.state in (NEVER, HALF)


def html(counts: Counts, program: Program, title: str, about: str = "") -> str:
    """The whole page.

    Args:
        counts: what ran.
        program: what there is.
        title: head of the page.
        about: what the machine is, or "".
    """
    rows = table(counts, program)
    lines = list(_lines(counts, program))
    first = next((line for line in lines if line.is_miss), None)
    never = sum(line.state == NEVER for line in lines)
    half = sum(line.state == HALF for line in lines)
    misses = f"{_count(never, 'line')} never ran, {_count(half, 'branch')} went only one way."
    return _PAGE.format(
        ink=web(INK),
        paper=web(PAPER),
        white=web(WHITE),
        muted=web(MUTED),
        generator=generator_meta(MAKER),
        title=_shown(title),
        about=f"<p>{_shown(about)}\n" if about else "",
        total="".join(_summary_row(row) for row in (total(rows),)),
        misses=f"{misses} <a href='#{_anchor(first.at)}'>The first one</a>"
        if first is not None
        else "Nothing is left.",
        summary="".join(_summary_row(row) for row in sorted(rows, key=_missing, reverse=True)),
        lines="".join(_body(lines, program)),
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'es' if noun.endswith('ch') else 's'}" if number != 1 else f"1 {noun}"


def _missing(row: TableRow) -> int:
    """What is still to be done under a label, in instructions and branches."""
    return row.instructions - row.ran + row.branches - row.both


def _summary_row(row: TableRow) -> str:
    name = _shown(row.label)
    return (
        f"<tr class={'never' if _missing(row) else 'ran'}><td><a href='#{_anchor(row.at)}'>{name}</a>"
        f"<td class=number>{_missing(row)}<td>{row.ran} of {row.instructions}"
        f"<td class=number>{percent(row.ran, row.instructions)}<td>{row.both} of {row.branches}"
        f"<td class=number>{percent(row.both, row.branches)}\n"
    )


def _shown(text: str) -> str:
    return escape(plain(text))


def _lines(counts: Counts, program: Program) -> Iterator[_Line]:
    if program.listing is None:
        names = dict(program.labels)
        for at in program.instructions:
            yield _Line(at, "", None, names.get(at, ""), *_state(at, counts, program))
        return
    spots = {id(program.row(at)): at for at in program.instructions}
    rows = program.listing.rows
    for row in sorted(rows, key=_bank) if program.listing.shared else rows:
        at = spots.get(id(row), row.address)
        yield _Line(at, row.file, row.line, row.text, *(_state(at, counts, program) if row.code else (DATA, "")))


def _bank(row: Row) -> tuple[int, int]:
    """What rows of one bank have in common."""
    return row.slot or 0, 0 if row.offset is None else row.offset - row.address


def _state(at: int, counts: Counts, program: Program) -> tuple[str, str]:
    ran = counts.ran.get(at, 0)
    if not ran:
        return NEVER, "never"
    if at in program.branches:
        taken, passed = counts.taken.get(at, 0), counts.passed.get(at, 0)
        if not taken or not passed:
            return HALF, f"{_grouped(ran)}, {'never taken' if not taken else 'always taken'}"
    return RAN, _grouped(ran)


def _anchor(at: int) -> str:
    """What links on the page call a line."""
    return f"a{as_text(at).replace(':', '-')}"


def _grouped(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _body(lines: Sequence[_Line], program: Program) -> Iterator[str]:
    """The listing: a head for each source file, a name at each label, a link from each run of misses to the next."""
    starts = list(_begins(lines))
    onward = dict(zip(starts, [*starts[1:], None], strict=True)) if starts else {}
    labels = dict(program.labels)
    names = _names_of_files(line.file for line in lines)
    file = None
    for number, line in enumerate(lines):
        if line.file != file:
            file = line.file
            yield f"<tr class=file><th colspan=5>{_shown(names[file])}\n"
        link = ""
        if number in onward:
            following = onward[number]
            link = "last miss" if following is None else f"<a href='#{_anchor(lines[following].at)}'>next miss</a>"
        name = _shown(labels.get(line.at, ""))
        title = f" title='{name}'" if name else ""
        yield (
            f"<tr class={line.state} id={_anchor(line.at)}><td class=number>{line.number or ''}"
            f"<td>${line.at & 0xFFFF:04X}<td class=number>{line.remark}<td>{link}<td{title}>"
            f"{_shown(line.text)}\n"
        )


def _names_of_files(files: Iterable[str]) -> dict[str, str]:
    """What each source is called: its path from the folder that holds all of them, as the page goes to other people."""
    known = {file: Path(file) for file in files}
    folders = [str(path.parent) for path in known.values() if path.is_absolute()]
    try:
        common = Path(os.path.commonpath(folders)) if folders else None
    except ValueError:  # on several drives
        common = None
    return {
        file: path.relative_to(common).as_posix() if common is not None and path.is_absolute() else file
        for file, path in known.items()
    }


def _begins(lines: Iterable[_Line]) -> Iterator[int]:
    """Numbers of lines at which misses of one kind begin; data between them does not part them."""
    before = RAN
    for number, line in enumerate(lines):
        if line.is_miss and (line.state != before or line.state == HALF):
            yield number
        if line.state != DATA:
            before = line.state


_PAGE = """<!doctype html>
<html lang=en><meta charset=utf-8>{generator}<title>{title}</title>
<meta name=viewport content="width=device-width">
<style>
body {{ font-family: sans-serif; margin: 2em; color: {ink}; background: {white} }}
table {{ border-collapse: collapse; margin-bottom: 2em }}
td, th {{ padding: 0 0.8em; text-align: left; vertical-align: top; white-space: pre }}
thead th {{ position: sticky; top: 0; background: {paper}; border-bottom: 1px solid {ink} }}
td.number {{ text-align: right }}
#lines {{ font-family: monospace }}
#lines tr {{ scroll-margin-top: 4em }}
#lines tr.file th {{ padding-top: 1em; font-family: sans-serif }}
tr:target {{ outline: 2px solid {ink} }}
#lines tr.never td:nth-child(3) {{ font-weight: bold; border-left: 0.6em solid {ink} }}
#lines tr.half td:nth-child(3) {{ font-weight: bold; border-left: 0.6em double {ink} }}
tr.data {{ color: {muted}; font-style: italic }}
#labels tr.ran {{ color: {muted}; font-style: italic }}
</style>
<h1>{title}</h1>
{about}<table id=total><thead><tr><th>Total<th>Missing<th>Instructions ran<th><th>Branches both ways<th></thead>
{total}</table>
<p>{misses}
<p>Thick bar: never ran. Double bar: a branch that went only one way. Slanted: data, or nothing missing.
Missing: such instructions and branches together.
<h2>By label, most missing first</h2>
<table id=labels><thead><tr><th>From label<th>Missing<th>Instructions ran<th><th>Branches both ways<th></thead>
{summary}</table>
<h2>Line by line</h2>
<table id=lines><thead><tr><th>Line<th>Address<th>Ran<th><th>Source</thead>
{lines}</table>
</html>
"""
