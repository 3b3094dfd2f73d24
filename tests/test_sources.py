"""What is cited by a key in brackets is named in full where a reader of that file looks for it."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("simkit", "cards/simkit_cards", "tests")
KEY = re.compile(r"\[([A-Z][A-Z0-9]{0,7}(?:-\d)?)(?=[\] ,;])")
PLACE = r"(?!Fig|Tab|App|AC |BE|MLB|RDY|RESET|SYNC|VPB|IRQ|IFR|IER|T\d)"
"""A key before one of these tells where in a sheet something stands; before anything else, what sheet it is."""


def named_in(text: str) -> set[str]:
    """Keys that a docstring says the meaning of."""
    return set(re.findall(rf"\[([A-Z][A-Z0-9]{{0,7}}(?:-\d)?)\] (?:is )?{PLACE}(?:[A-Z][\w.]|[A-Z] |the same)", text))


def head(path: Path) -> str:
    return ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "" if path.is_file() else ""


def cited_in(source: str) -> set[str]:
    """Keys in comments, in docstrings and in strings that stand alone."""
    texts = re.findall(r"#.*", source)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            texts.append(node.value.value)
    return {key for text in texts for key in KEY.findall(text)}


@pytest.mark.parametrize("folder", FOLDERS)
def test_a_key_that_a_file_cites_is_named_in_it_or_in_the_card_beside_it(folder):
    """In the head of the file itself, or of card.py or settings.py in its folder."""
    unknown = {}
    for path in sorted((ROOT / folder).rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        if not KEY.search(source):
            continue
        known = {
            key
            for near in (path, path.with_name("card.py"), path.with_name("settings.py"))
            for key in named_in(head(near))
        }
        if missing := cited_in(source) - known:
            unknown[str(path.relative_to(ROOT))] = sorted(missing)
    assert not unknown


def test_a_place_in_a_sheet_does_not_name_the_sheet():
    assert named_in("[AB] Some Maker, AB1 data sheet. [CD] Figure 9; [EF] page 3. [GH] is Some Guide") == {"AB", "GH"}
    source = '"""[AB] p. 3."""\nx = 1  {} [CD 5], [1], [x]\n'.format("#")
    assert cited_in(source) == {"AB", "CD"}
