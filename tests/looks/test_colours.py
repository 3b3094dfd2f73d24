"""Colours with meanings: how far those that meet are apart, and that nothing drawn takes a colour from elsewhere.

W3C, Web Content Accessibility Guidelines 2.1, Recommendation of 5 June 2018: 1.4.3 (text, 4.5 : 1), 1.4.11 (what is no
text, 3 : 1), definitions of relative luminance and contrast ratio.
"""

import ast
import re
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

from simkit.inspect.video_memory import FREE, SHARED, STYLES
from simkit.looks import colours, patterns
from simkit.looks.colours import PAIRS, SHAPE, TEXT, contrast, luminance, web

ROOT = Path(__file__).resolve().parents[2]
REGISTRY = ROOT / "simkit" / "looks" / "colours.py"
KNOWN = {name: value for name, value in vars(colours).items() if name.isupper() and isinstance(value, tuple)}
del KNOWN["PAIRS"]


def test_black_and_white_are_21_to_1_apart():
    """Definition of contrast ratio, note 1: ratios can range from 1 to 21."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert contrast((255, 255, 255), (0, 0, 0)) == pytest.approx(21)
    assert contrast((9, 99, 200), (9, 99, 200)) == 1


def test_lightness_of_the_primaries_is_that_of_the_definition():
    """Definition of relative luminance: 0.2126 R + 0.7152 G + 0.0722 B, of linear channels; 10 is below the knee."""
    assert luminance((255, 0, 0)) == pytest.approx(0.2126)
    assert luminance((0, 255, 0)) == pytest.approx(0.7152)
    assert luminance((0, 0, 255)) == pytest.approx(0.0722)
    assert luminance((10, 10, 10)) == pytest.approx(10 / 255 / 12.92)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair.where}, {web(pair.first)} and {web(pair.second)}")
def test_colours_that_meet_are_as_far_apart_as_the_guidelines_ask(pair):
    assert pair.least in (TEXT, SHAPE)
    assert contrast(pair.first, pair.second) >= pair.least


def test_every_colour_meets_another_one():
    met = {colour for pair in PAIRS for colour in (pair.first, pair.second)}
    assert set(KNOWN.values()) == met
    assert len(set(KNOWN.values())) == len(KNOWN), "two names for one colour"


def test_patterns_differ_however_they_are_laid_over_each_other():
    tiles = [np.array([[dot == "#" for dot in row] for row in one]) for one in patterns.ALL]
    assert {tile.shape for tile in tiles} == {(patterns.TILE, patterns.TILE)}
    for first, second in combinations(tiles, 2):
        shifts = product(range(patterns.TILE), repeat=2)
        assert min((first != np.roll(second, by, axis=(0, 1))).sum() for by in shifts) >= 4


def test_no_two_tables_have_one_pattern_or_one_colour():
    styles = [*STYLES.values(), SHARED, FREE]
    for first, second in combinations(styles, 2):
        assert first.pattern != second.pattern
        assert first.tint != second.tint
        assert first.letters != second.letters


def test_zeros_are_darker_than_other_bytes_in_the_mean_too():
    """As seen from afar, where the dots of a pattern run together: mean of linear lightness."""
    for style in [*STYLES.values(), SHARED, FREE]:
        part = sum(row.count("#") for row in style.pattern) / patterns.TILE**2
        light, dark = luminance(style.tint), luminance(colours.INK)
        full, zero = (1 - part) * light + part * dark, part * light + (1 - part) * dark
        assert (full + 0.05) / (zero + 0.05) >= SHAPE, style.letters


def _name(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _literals(tree: ast.AST):
    """Line and text of what can only be a colour: three channels, a style sheet's number, a name that pygame knows."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and node.args]
    shapes = {id(call.args[0]) for call in calls if _name(call) in ("full", "zeros", "ones")}
    for node in ast.walk(tree):
        if isinstance(node, ast.Tuple | ast.List) and len(node.elts) == 3 and id(node) not in shapes:
            values = [element.value for element in node.elts if isinstance(element, ast.Constant)]
            if len(values) == 3 and all(type(value) is int and 0 <= value <= 255 for value in values):
                yield node.lineno, ast.unparse(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            if found := re.search(r"#[0-9a-fA-F]{3}(?:[0-9a-fA-F]{3})?\b(?!-)|\b(?:rgb|hsl)a?\(", node.value):
                yield node.lineno, found[0]
            elif re.search(r"(?:color|background|fill|stroke)\s*[:=]\s*[\"']?[a-z]", node.value):
                yield node.lineno, "a colour by name"
        elif isinstance(node, ast.Call):
            name = _name(node)
            grey = name == "full" and [one for one in node.args[1:2] if isinstance(one, ast.Constant)]
            values = [*node.args, *(keyword.value for keyword in node.keywords)]
            if (
                name == "Color"
                or grey
                or (
                    name in ("fill", "full", "pad", "rect", "circle", "line")
                    and any(isinstance(one, ast.Constant) and isinstance(one.value, str) for one in values)
                )
            ):
                yield node.lineno, ast.unparse(node)


def _drawing():
    """Every module that draws for eyes: window and pictures, and what else has a style sheet or an array of colours."""
    for path in sorted((ROOT / "simkit").rglob("*.py")):
        text = path.read_text()
        if path != REGISTRY and (
            "import pygame" in text or "<style" in text or "simkit.looks" in text or "inspect" in path.parts
        ):
            yield path, text


def test_nothing_that_draws_takes_a_colour_from_elsewhere():
    modules = list(_drawing())
    assert {"panel.py", "painter.py", "video.py", "coverage_page.py", "golden.py"} <= {path.name for path, _ in modules}
    for path, text in modules:
        found = [f"{path.relative_to(ROOT)}:{line}: {what}" for line, what in _literals(ast.parse(text))]
        assert not found


@pytest.mark.parametrize(
    "line",
    ["X = (12, 40, 255)", "s = 'p { color: #123456 }'", "s = 'p { color: red }'", "surface.fill('red')",
     "c = pygame.Color('red')", "f([0, 0, 0])", "s = 'a rgb(1, 2, 3)'", "a = np.full((3, 4, 3), 255)"],
)  # fmt: skip
def test_a_colour_written_elsewhere_is_noticed(line):
    assert list(_literals(ast.parse(line)))
