"""The job's own mutants: what is spoiled, what is left alone, and that a draw holds still."""

import importlib.util
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def job():
    """The module, which no package holds: `run.py` finds it beside itself."""
    with pytest.MonkeyPatch.context() as patch:
        yield loaded("mutants", patch)


@pytest.fixture(scope="module")
def trying(job):
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "mutants", job)
        yield loaded("trying", patch)


def loaded(name, patch):
    spec = importlib.util.spec_from_file_location(f"simkit_{name}", Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    patch.setitem(sys.modules, spec.name, module)  # attrs looks it up
    spec.loader.exec_module(module)
    return module


def changes(job, text):
    source = text.encode()
    return [(m.was, m.now) for m in job.mutants_of("a.py", source) if m.compiles(source)]


@pytest.mark.parametrize(
    ("line", "spoiled"),
    [
        ("y = a < b", ["y = a <= b"]),
        ("y = a >= b", ["y = a > b"]),
        ("y = a == b != c", ["y = a != b != c", "y = a == b == c"]),
        ("y = a is not b", ["y = a is b"]),
        ("y = a in b", ["y = a not in b"]),
        ("y = (a) + (b)", ["y = (a) - (b)"]),
        ("y = a << b", ["y = a >> b"]),
        ("y = a & ~b", ["y = a & b", "y = a | ~b"]),
        ("y += b", ["pass", "y -= b"]),
        ("y = a and not b", ["y = a and b", "y = a or not b"]),
        ("y = 5", ["y = 4", "y = 6"]),
        ("y = 0x10", ["y = 0x00", "y = 0x0F", "y = 0x11"]),
        ("y = 0", ["y = (-1)", "y = 1"]),
        ("y = a & 8", ["y = a & 0", "y = a & 7", "y = a & 9", "y = a | 8"]),
        ("y = True", ["y = False"]),
        ("y = a if b else c", ["y = a if False else c", "y = a if True else c"]),
        ("y = [a for a in b if c]", ["y = [a for a in b if True]"]),
        ("y = min(a)", ["y = max(a)"]),
        ("y = sorted(a)", ["y = list(a)"]),
        ("y = sorted(a, key=b)", ["y = sorted(a, )"]),
        ("a.b = c", ["pass"]),
        ("a()", ["pass"]),
        ("raise a", ["pass"]),
        ("y = a  # 5 < 6", []),
        ("y = 'a < 5'", []),
        ("y = f'{a + 5}'", []),
        ("y = 'a' + b", []),
        ("assert a < 5", []),
        ("y: int | None = a", []),
        ("y = isinstance(a, b | c)", []),
    ],
)
def test_a_line_is_spoiled_in_each_way_that_it_has(job, line, spoiled):
    found = changes(job, f"def f(a, b, c):\n    {line}\n    return y\n")
    assert sorted(now for _, now in found) == sorted(spoiled)
    assert {was for was, _ in found} <= {line.partition("  #")[0]}


def test_branches_ways_out_defaults_and_decorators_are_spoiled(job):
    text = "@frozen(slots=True, kw_only=True)\nclass C:\n    @cache(size=5)\n    def f(a, b=3, *, c=False):\n"
    text += "        while a:\n            if b:\n                return 7\n            break\n        return a\n"
    spoiled = {now for _, now in changes(job, text)}
    assert {
        "while False:",
        "if True:",
        "if False:",
        "def f(a, b=4, *, c=False):",
        "def f(a, b=3, *, c=True):",
    } <= spoiled
    assert {"@frozen(slots=True, )", "@cache()", "@cache(size=6)", "return 8"} <= spoiled
    assert "@frozen(kw_only=True)" not in spoiled, "the layout of objects is no behaviour"
    removed = [m for m in job.mutants_of("a.py", text.encode()) if m.operator.endswith("removed") and m.text == "pass"]
    assert [m.was for m in removed] == ["return 7", "break"], "the last return leaves nothing to test"


@pytest.mark.parametrize(
    "text",
    [
        '"""A docstring: 5 < 6."""\n',
        "if TYPE_CHECKING:\n    a = 5\n",
        "__all__ = [5]\n",
        "class C(Protocol):\n    a: int = 5\n    def f(self): return 5\n",
        "def f(a: Literal[5]) -> Literal[5]: ...\n",
        "Numbers = A | B | None\n".replace(" | None", ""),
    ],
)
def test_what_means_nothing_when_the_program_runs_is_left_alone(job, text):
    assert changes(job, text) == []


def test_a_mutant_knows_the_lines_that_a_test_must_reach(job):
    text = "A = 5\ndef f():\n    return g(\n        6,\n    )\n"
    in_module, in_function = [m for m in job.mutants_of("a.py", text.encode()) if m.text in ("4", "7")]
    assert (in_module.at_import, in_module.within, list(in_module.lines)) == (True, "", [1])
    assert (in_function.at_import, in_function.within, list(in_function.lines)) == (False, "f", [3, 4, 5])
    assert (in_function.line, in_function.spoil(text.encode()).decode()) == (4, text.replace("6", "7"))


def sources():
    contract = {file: (ROOT / file).read_bytes() for file in ("simkit/contract/clock.py", "simkit/contract/events.py")}
    return {
        "contract": contract,
        "seats": {"simkit/backplane/seat.py": (ROOT / "simkit/backplane/seat.py").read_bytes()},
    }


def test_a_draw_repeats_and_a_change_of_one_line_changes_what_it_must(job):
    texts = sources()
    drawn = job.draw(texts, seed=3, count=40, least=20)
    assert drawn == job.draw(texts, seed=3, count=40, least=20)
    assert len({m.key for m in drawn}) == 40
    assert len({(m.file, m.start, m.end, m.operator) for m in drawn}) == 40
    assert all(m.compiles(texts["contract"].get(m.file) or texts["seats"][m.file]) for m in drawn)
    assert sum(m.file.startswith("simkit/contract/") for m in drawn) >= 20
    assert {m.key for m in drawn} != {m.key for m in job.draw(texts, seed=4, count=40, least=20)}
    clock = "simkit/contract/clock.py"
    texts["contract"][clock] = b"\n" + texts["contract"][clock].replace(b"MIN_HZ = 1\n", b"MIN_HZ = 2\n")
    again = {m.key for m in job.draw(texts, seed=3, count=40, least=20)}
    assert len(again ^ {m.key for m in drawn}) <= 4


class Lines:
    """Stands for the recording's data: which tests reach which lines."""

    def __init__(self, by_file):
        self.by_file = by_file

    def contexts_by_lineno(self, path):
        return self.by_file.get(path, {})


def recording_of(trying, seconds, by_file, importers):
    tests = {name: {"seconds": cost, "passed": True, "fixtures": []} for name, cost in seconds.items()}
    return trying.Recording(tests, Lines(by_file), Path("/copy"), importers)


@pytest.mark.needs("resource")
def test_the_budget_leaves_out_slow_tests_of_other_folders_alone(job, trying):
    """A slow model beside a card tells more than a hundred quick runs of the machine that come past it."""
    file = "cards/simkit_cards/panel/lamp.py"
    seconds = {f"tests/machine/test_a.py::test_{n}": n for n in range(1, 6)} | {
        "tests/cards/panel/test_model.py::test_slow": 50,
        "tests/cards/panel/test_model.py::test_elsewhere": 1,
    }
    reaching = [name for name in seconds if not name.endswith("elsewhere")]
    recording = recording_of(trying, seconds, {f"/copy/{file}": {2: reaching}}, {})
    (mutant, *_) = [m for m in job.mutants_of(file, b"def f(a):\n    return a + 1\n") if m.line == 2]
    chosen = [name.split("::")[1] for name in recording.chosen(mutant, budget=6)]
    assert chosen == ["test_slow", "test_1", "test_2", "test_3"]


@pytest.mark.needs("resource")
def test_a_constant_is_tried_with_the_tests_that_import_it(job, trying):
    """A test that compares a table with a published one runs no line of the kit."""
    kit = "cards/simkit_cards/panel/lamp.py"
    texts = {
        kit: b"LIMIT = 3\n",
        "cards/simkit_cards/panel/row.py": b"from simkit_cards.panel.lamp import LIMIT\n",
        "tests/cards/panel/test_lamp.py": b"from simkit_cards.panel.lamp import LIMIT\n",
        "tests/cards/panel/test_other.py": b"from simkit_cards.panel import rows\n",
    }
    seconds = {
        "tests/cards/panel/test_lamp.py::test_table": 1,
        "tests/cards/panel/test_other.py::test_row": 1,
        "tests/cards/panel/test_other.py::test_nothing": 1,
    }
    by_file = {"/copy/cards/simkit_cards/panel/row.py": {5: ["tests/cards/panel/test_other.py::test_row"]}}
    recording = recording_of(trying, seconds, by_file, trying.importers_of(texts))
    mutant = job.mutants_of(kit, texts[kit])[0]
    assert set(recording.chosen(mutant, budget=60)) == {
        "tests/cards/panel/test_lamp.py::test_table",
        "tests/cards/panel/test_other.py::test_row",
    }
