"""The bug stories of the demo folder stay true: their commands end as they say and print the lines that they quote.

A story quotes in blocks marked `console`: `$ simkit ...` is typed in the unpacked folder of the story, the lines behind
it are of what is printed, in their order (`...` stands for others, at the end of a line for its rest; indents do not
count), and `[exit code N]` ends it where that is not 0.
"""

from __future__ import annotations

import re
import shlex
from concurrent.futures import Executor, Future
from pathlib import Path

import attrs
import pytest

from simkit.commands.demo import unpack
from simkit.commands.main import main
from simkit.suspect import catalogue, more, runs

STORIES = Path(__file__).resolve().parents[2] / "demo" / "stories"
NAMES = sorted(path.parent.name for path in STORIES.glob("*/story.md"))
MOST_BYTES = 400_000
"""Of all captures together."""


@attrs.frozen
class Typed:
    """A command of a story, the lines that it quotes, and how it ends."""

    words: tuple[str, ...]
    quoted: tuple[str, ...]
    code: int

    @property
    def is_dear(self) -> bool:
        return self.words[0] == "suspect"


def typed_in(text: str) -> list[Typed]:
    """Commands of a story in their order."""
    found = []
    for block in re.findall(r"^```console\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, *lines = part.replace("\\\n", " ").splitlines()
            quoted = tuple(line.rstrip() for line in lines if line.strip() not in ("", "..."))
            code = re.fullmatch(r"\[exit code (\d+)\]", quoted[-1]) if quoted else None
            words = shlex.split(command)
            assert words[0] == "simkit"
            found.append(Typed(tuple(words[1:]), quoted[:-1] if code else quoted, int(code[1]) if code else 0))
    return found


def not_printed(quoted: tuple[str, ...], printed: str) -> str | None:
    """The first quoted line that is not printed, or not in its order."""
    lines = iter(line.rstrip() for line in printed.splitlines())
    return next((line for line in quoted if not any(_is_that(line, printed) for printed in lines)), None)


def _is_that(quoted: str, printed: str) -> bool:
    begin, dots, rest = quoted.strip().partition(" ...")
    return printed.strip().startswith(begin) if dots and not rest else printed.strip() == quoted.strip()


class Here(Executor):
    """Does the work at once, where it is asked for."""

    def submit(self, call, /, *arguments, **words):
        future = Future()
        future.set_result(call(*arguments, **words))
        return future


@pytest.fixture
def tell(tmp_path, monkeypatch, capsys):
    """Types all commands of a story."""

    def typed(name: str, *, whole: bool) -> None:
        folder = unpack(f"stories/{name}", tmp_path)[0].parent
        monkeypatch.chdir(folder)
        text = (folder / "story.md").read_text(encoding="utf-8")
        for one in typed_in(text):
            quoted = one.quoted
            if one.is_dear and not whole:
                narrow(text)
                quoted = tuple(line for line in quoted if line.startswith("  - "))
            with pytest.raises(SystemExit) as ended:
                main(list(one.words))
            out, err = capsys.readouterr()
            assert ended.value.code == one.code, (one.words, out, err)
            assert (one.words, not_printed(quoted, err + out)) == (one.words, None), err + out

    def narrow(text: str) -> None:
        """Search among the candidates alone that the story tells of, under two power-ups."""
        all_of, run_all = catalogue.catalogue, runs.run_all

        def few(description):
            return tuple(one for one in all_of(description) if f"  - {one.sentence} (" in text)

        def here(trial, candidates, **words):
            return run_all(attrs.evolve(trial, seeds=trial.seeds[:2]), candidates, **words)

        if all_of.__name__ != "few":
            monkeypatch.setattr(catalogue, "catalogue", few)
            monkeypatch.setattr(runs, "run_all", here)
            monkeypatch.setattr(runs, "local_executor", Here)
            monkeypatch.setattr(more, "POWER_UPS", 1)

    return typed


def test_there_are_six_stories_of_captures_that_are_small():
    assert len(NAMES) >= 6
    assert sum(path.stat().st_size for path in STORIES.rglob("*.sr")) < MOST_BYTES


@pytest.mark.parametrize("name", NAMES)
def test_what_a_story_quotes_is_what_its_commands_print(name, tell):
    tell(name, whole=False)


@pytest.mark.slow  # each search of a story with all its candidates: a minute or two
@pytest.mark.parametrize("name", NAMES)
def test_what_a_story_quotes_of_its_searches_is_what_they_print(name, tell):
    tell(name, whole=True)


@pytest.mark.parametrize("name", NAMES)
def test_every_capture_of_a_story_is_what_its_last_command_makes(name, tell, tmp_path, monkeypatch, capsys):
    folder = unpack(f"stories/{name}", tmp_path)[0].parent
    monkeypatch.chdir(folder)
    made = [one for one in typed_in((folder / "story.md").read_text(encoding="utf-8")) if one.words[0] == "rehearse"]
    captures = sorted(path.name for path in folder.glob("*.sr"))
    assert sorted(one.words[one.words.index("--out") + 1].removeprefix("again-") for one in made) == captures
    for one in made:
        with pytest.raises(SystemExit):
            main(list(one.words))
        again = folder / one.words[one.words.index("--out") + 1]
        assert again.read_bytes() == (folder / again.name.removeprefix("again-")).read_bytes()


def test_a_line_that_is_not_printed_or_out_of_order_is_noticed():
    told = typed_in("```console\n$ simkit run .\none\n...\ntwo\n[exit code 1]\n```\n")
    assert told == [Typed(("run", "."), ("one", "two"), 1)]
    assert not_printed(("one", "two"), "one\nmore\ntwo\n") is None
    assert not_printed(("two", "one"), "one\nmore\ntwo\n") == "one"
