"""Notes and captions on a page: Markdown, and nothing that a page could be harmed by."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.page.markdown import as_html

TAGS = {"p", "em", "strong", "code", "pre", "ul", "ol", "li", "a", "blockquote", "hr", "br"} | {
    f"h{n}" for n in range(2, 7)
}


def test_it_is_markdown_with_headings_below_the_title_of_the_page():
    html = as_html("# Shed\n\nRead `$7F22`:\n\n- *left*\n- **right**\n\n[more](https://example.org/)\n\n###### deep\n")
    assert "<h2>Shed</h2>" in html
    assert "<h6>deep</h6>" in html
    assert "<code>$7F22</code>" in html
    assert '<a href="https://example.org/">more</a>' in html


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "a <img src=x onerror=alert(1)> b", "[a](javascript:alert(1))", "![a](http://x/y.png)",
     "[a](data:text/html,x)", "<a href='javascript:alert(1)'>a</a>", "[a]: javascript:alert(1)\n\n[a]", "<!-- x -->"],
)  # fmt: skip
def test_html_scripts_pictures_and_odd_links_stay_text(text):
    harmless(as_html(text))


@given(st.text(st.sampled_from("<>[]()!*_`#:/\\\"'&;-=\n abcjsimgtp"), max_size=200))
def test_whatever_is_written_no_other_tags_come_of_it(text):
    harmless(as_html(text))


def harmless(html):
    for tag, attributes in re.findall(r"</?([a-zA-Z0-9]+)((?:\s[^>]*)?)>", html):
        assert tag in TAGS, html
        assert re.fullmatch(r'(\s(href|title|class|start|tabindex)="[^"]*")*\s?/?', attributes), html
    for address in re.findall(r'href="([^"]*)"', html):
        assert address.startswith(("https://", "http://", "#")), html
