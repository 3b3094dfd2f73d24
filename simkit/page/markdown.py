"""Markdown of notes and captions as HTML for the page: no HTML of the text's own, no picture, no link but to the web.

Source: CommonMark Spec 0.31.2 (2024), as the package markdown-it-py has it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markdown_it import MarkdownIt

LINKS = ("https://", "http://", "#")


def as_html(text: str) -> str:
    """A Markdown text as HTML, its headings a level lower: the page has a title of its own."""
    reader = _reader()
    tokens = reader.parse(text)
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{min(6, int(token.tag[1:]) + 1)}"
    html = str(reader.renderer.render(tokens, reader.options, {}))
    return html.replace("<pre>", '<pre tabindex="0">')  # wide ones are scrolled, by keys too


def _reader() -> MarkdownIt:
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False})
    reader.disable(["image", "html_block", "html_inline"])
    reader.validateLink = lambda url: url.startswith(LINKS)  # type: ignore[method-assign]
    return reader
