"""Every way to spoil one place of a source file that a test should notice.

A mutant is a piece of the text that is replaced by another; what the piece may be is told by the syntax tree. Left
alone is what does nothing when the program runs or means nothing to a person at the hardware: docstrings, annotations,
strings (names and messages), assertions (they tell the type checker what is so), blocks for the type checker, bodies of
protocols, `__all__` and the layout of objects (`slots`).
"""

from __future__ import annotations

import ast
import hashlib
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import islice

import attrs

_COMPARISONS = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.Is: ("is", "is not"),
    ast.IsNot: (r"is\s+not", "is"),
    ast.In: ("in", "not in"),
    ast.NotIn: (r"not\s+in", "in"),
}
_ARITHMETIC = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "//"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"),
    ast.Mod: ("%", "//"),
    ast.Pow: ("**", "*"),
    ast.LShift: ("<<", ">>"),
    ast.RShift: (">>", "<<"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
    ast.BitXor: ("^", "|"),
}
_OTHER_FUNCTION = {"min": "max", "max": "min", "any": "all", "all": "any", "sorted": "list"}
_OPTIONAL = {"sorted": ("key", "reverse"), "min": ("key", "default"), "max": ("key", "default")}
_OPTIONAL |= {"setting": ("one_of", "low", "high"), "field": ("eq", "factory"), "zip": ("strict",)}
"""Functions and their keywords that can be left out and still leave a call that works."""

_LAYOUT = ("slots", "repr")
_BITS = (ast.BitAnd, ast.BitOr, ast.BitXor, ast.LShift, ast.RShift)
_SHOWN = 200  # characters of a statement that tell it from the others


@attrs.frozen
class Mutant:
    """One place spoiled in one way.

    Attributes:
        file: path from the root of the project.
        within: classes and function round the place, "" at the top of the module.
        line: line of the place, counted from 1.
        lines: all lines of the statement or of its head: a test that reaches one of them reaches the place.
        at_import: the place is executed when the module is imported, so that no test reaches it by itself.
        operator: in which way.
        was: the lines as they are, comments left out, blanks squeezed.
        now: the same, spoiled.
        nth: which of several alike in that function.
        start: first byte that is replaced.
        end: byte after the last one that is.
        text: what stands there instead.
    """

    file: str
    within: str
    line: int
    lines: range
    at_import: bool
    operator: str
    was: str
    now: str
    nth: int
    start: int
    end: int
    text: str

    @property
    def key(self) -> str:
        """Name that stays when other lines of the file change."""
        return "|".join((self.file, self.within, self.operator, self.was, self.now, str(self.nth)))

    def rank(self, seed: int) -> bytes:
        """Place in the draw: depends on seed and key alone, so a change of one line leaves the rest of a draw."""
        return hashlib.blake2b(f"{seed}|{self.key}".encode(), digest_size=8).digest()

    def spoil(self, source: bytes) -> bytes:
        """The file's text with the place spoiled."""
        return source[: self.start] + self.text.encode() + source[self.end :]

    def compiles(self, source: bytes) -> bool:
        """Whether the spoiled text is Python and means something else."""
        try:
            tree = ast.parse(self.spoil(source))
            compile(tree, self.file, "exec")
        except (SyntaxError, ValueError):
            return False
        return ast.dump(tree) != ast.dump(ast.parse(source))


def mutants_of(file: str, source: bytes) -> list[Mutant]:
    """All mutants of a file in the order of the text; a few may not compile."""
    finder = _Finder(file, source)
    finder.visit(ast.parse(source))
    return sorted(finder.found, key=lambda mutant: (mutant.start, mutant.end, mutant.text))


def draw(sources: Mapping[str, Mapping[str, bytes]], seed: int, count: int, least: int) -> list[Mutant]:
    """Mutants drawn by the seed, at most one for each place and operator, so that no place counts twice.

    Args:
        sources: by folder: texts of its files by path.
        seed: of the draw.
        count: how many.
        least: how many from each folder, if it has as many; the rest falls where it falls.

    Returns:
        In the order of the draw.
    """
    places: dict[tuple[str, int, int, str], Mutant] = {}
    for files in sources.values():
        for file, source in files.items():
            for mutant in mutants_of(file, source):
                place = (file, mutant.start, mutant.end, mutant.operator)
                if place not in places or mutant.rank(seed) < places[place].rank(seed):
                    places[place] = mutant
    ranked = sorted(places.values(), key=lambda mutant: mutant.rank(seed))
    folder_of = {file: folder for folder, files in sources.items() for file in files}
    texts = {file: source for files in sources.values() for file, source in files.items()}
    first: Counter[str] = Counter()
    drawn: list[Mutant] = []
    others: list[Mutant] = []
    for mutant in ranked:
        folder = folder_of[mutant.file]
        if first[folder] < least and mutant.compiles(texts[mutant.file]):
            first[folder] += 1
            drawn.append(mutant)
        else:
            others.append(mutant)
    more = (mutant for mutant in others if mutant.compiles(texts[mutant.file]))
    drawn += islice(more, max(0, count - len(drawn)))
    return sorted(drawn, key=lambda mutant: mutant.rank(seed))


class _Finder(ast.NodeVisitor):
    def __init__(self, file: str, source: bytes) -> None:
        self.found: list[Mutant] = []
        self._file = file
        self._source = source
        self._plain = _without_comments(source)
        self._offsets = [0]
        for line in source.splitlines(keepends=True):
            self._offsets.append(self._offsets[-1] + len(line))
        self._within: list[str] = []
        self._functions: list[ast.FunctionDef] = []
        self._lines = range(1, 2)
        self._alike: Counter[tuple[str, ...]] = Counter()

    # places -----------------------------------------------------------------------------------------------------------

    def _start(self, node: ast.expr | ast.stmt | ast.keyword) -> int:
        return self._offsets[node.lineno - 1] + node.col_offset

    def _end(self, node: ast.expr | ast.stmt | ast.keyword) -> int:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._offsets[node.end_lineno - 1] + node.end_col_offset

    def _add(self, operator: str, start: int, end: int, text: str) -> None:
        source = self._plain
        first = source.rfind(b"\n", 0, start) + 1
        last = source.find(b"\n", end)
        last = len(source) if last < 0 else last
        was = _squeezed(source[first:last].decode())
        now = _squeezed((source[first:start] + text.encode() + source[end:last]).decode())
        within = ".".join(self._within)
        alike = (within, operator, was, now)
        line = source.count(b"\n", 0, start) + 1
        nth = self._alike[alike]
        self._alike[alike] += 1
        self.found.append(
            Mutant(
                self._file, within, line, self._lines, not self._functions, operator, was, now, nth, start, end, text
            )
        )

    def _swap(self, operator: str, start: int, end: int, pattern: str, text: str) -> None:
        """Replace the operator that stands between two operands, brackets and blanks round it."""
        match = re.search(pattern, self._source[start:end].decode())
        if match is not None:
            self._add(operator, start + match.start(), start + match.end(), text)

    # statements -------------------------------------------------------------------------------------------------------

    def visit(self, node: ast.AST) -> None:
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)  # of a compound statement only the head counts
            last = body[0].lineno - 1 if isinstance(body, list) and body else node.end_lineno
            self._lines = range(node.lineno, max(node.lineno, last or 0) + 1)
        super().visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        if any(isinstance(base, ast.Name) and base.id == "Protocol" for base in node.bases):
            return
        self._decorators(node.decorator_list)
        self._within.append(node.name)
        for statement in node.body:
            self.visit(statement)
        self._within.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self._decorators(node.decorator_list)
        self._within.append(node.name)
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        self._functions.append(node)
        for statement in node.body:
            self.visit(statement)
        self._functions.pop()
        self._within.pop()

    def _decorators(self, decorators: list[ast.expr]) -> None:
        for decorator in decorators:
            if isinstance(decorator, ast.Call):
                self._keywords(decorator, tuple(keyword.arg or "" for keyword in decorator.keywords))
                self.visit(decorator)

    def visit_Assert(self, node: ast.Assert) -> None:
        return

    def visit_Assign(self, node: ast.Assign) -> None:
        target = node.targets[0]
        if isinstance(target, ast.Name) and target.id in ("__all__", "__slots__"):
            return
        if _is_union_of_types(node.value):
            return
        if self._functions and self._functions[-1].name != "__init__" and self._takes_back(node, node.targets):
            self._remove("assignment removed", node)
        self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._remove("assignment removed", node)
        pattern, text = _ARITHMETIC[type(node.op)]
        self._swap("arithmetic", self._end(node.target), self._start(node.value), re.escape(pattern), text)
        self.generic_visit(node)

    def _takes_back(self, node: ast.Assign, targets: list[ast.expr]) -> bool:
        """Whether something else stands where it stores: a name that nobody else sets would be missing at once."""
        target = targets[0]
        if isinstance(target, ast.Attribute | ast.Subscript):
            return True
        if not isinstance(target, ast.Name):
            return False
        others = (inner for inner in ast.walk(self._functions[-1]) if isinstance(inner, ast.Name))
        return any(
            inner.id == target.id and isinstance(inner.ctx, ast.Store) and inner.lineno < node.lineno
            for inner in others
        ) or any(argument.arg == target.id for argument in self._functions[-1].args.args)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self._remove("call removed", node)
        self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if node is not self._functions[-1].body[-1]:
            self._remove("return removed", node)
        self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> None:
        self._remove("raise removed", node)
        self.generic_visit(node)

    def visit_Continue(self, node: ast.Continue) -> None:
        self._remove("continue removed", node)

    def visit_Break(self, node: ast.Break) -> None:
        self._remove("break removed", node)

    def visit_Delete(self, node: ast.Delete) -> None:
        self._remove("del removed", node)

    def _remove(self, operator: str, node: ast.stmt) -> None:
        self._add(operator, self._start(node), self._end(node), "pass")

    def visit_If(self, node: ast.If) -> None:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return
        self._decide(node.test, ("True", "False"))
        self.generic_visit(node)

    def visit_While(self, node: ast.While) -> None:
        if not isinstance(node.test, ast.Constant):
            self._decide(node.test, ("False",))
        self.generic_visit(node)

    # expressions ------------------------------------------------------------------------------------------------------

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._decide(node.test, ("True", "False"))
        self.generic_visit(node)

    def visit_comprehension(self, node: ast.comprehension) -> None:
        for test in node.ifs:
            self._decide(test, ("True",))
        self.generic_visit(node)

    def _decide(self, test: ast.expr, answers: tuple[str, ...]) -> None:
        for answer in answers:
            self._add(f"always {answer}", self._start(test), self._end(test), answer)

    def visit_Compare(self, node: ast.Compare) -> None:
        left = node.left
        for kind, right in zip(node.ops, node.comparators, strict=True):
            pattern, text = _COMPARISONS[type(kind)]
            self._swap("comparison", self._end(left), self._start(right), pattern, text)
            left = right
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if not any(isinstance(side, ast.JoinedStr) or _is_text(side) for side in (node.left, node.right)):
            pattern, text = _ARITHMETIC[type(node.op)]
            self._swap("arithmetic", self._end(node.left), self._start(node.right), re.escape(pattern), text)
        for side in (node.left, node.right):
            if isinstance(side, ast.Constant):
                self._number(side, bits=isinstance(node.op, _BITS))
            else:
                self.visit(side)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        was, text = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            self._swap("and, or", self._end(left), self._start(right), was, text)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        self._add("sign or not removed", self._start(node), self._start(node.operand), "")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name == "isinstance":
            self.visit(node.args[0])
            return
        if isinstance(node.func, ast.Name) and name in _OTHER_FUNCTION and not (name == "sorted" and node.keywords):
            self._add("other function", self._start(node.func), self._end(node.func), _OTHER_FUNCTION[name])
        self._keywords(node, _OPTIONAL.get(name, ()))
        for part in (node.func, *node.args):
            self.visit(part)
        for keyword in node.keywords:
            if keyword.arg not in _LAYOUT:
                self.visit(keyword.value)

    def _keywords(self, node: ast.Call, names: tuple[str, ...]) -> None:
        for keyword in node.keywords:
            if keyword.arg in names and keyword.arg not in _LAYOUT:
                comma = re.match(rb"\s*,\s*", self._source[self._end(keyword) :])
                self._add(
                    "keyword removed", self._start(keyword), self._end(keyword) + (comma.end() if comma else 0), ""
                )

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        return

    def visit_Constant(self, node: ast.Constant) -> None:
        self._number(node, bits=False)

    def _number(self, node: ast.Constant, *, bits: bool) -> None:
        start, end = self._start(node), self._end(node)
        value = node.value
        if isinstance(value, bool):
            self._add("truth", start, end, str(not value))
        elif isinstance(value, float):
            self._add("number", start, end, str(value + 1))
        elif isinstance(value, int):
            written = self._source[start:end].decode()
            others = {value + 1, value - 1}
            if bits or written.startswith(("0x", "0b")):
                others.add(value ^ 1 << max(value.bit_length() - 1, 0))
            for other in sorted(others):
                shown = f"0x{other:0{len(written) - 2}X}" if written.startswith("0x") and other >= 0 else str(other)
                self._add("number", start, end, shown if other >= 0 else f"({shown})")


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def _is_union_of_types(node: ast.expr) -> bool:
    """Whether an assignment gives a name to a type: `Numbers = int | float`."""
    names = list(_leaves(node)) if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr) else []
    return bool(names) and all(isinstance(leaf, ast.Name) and leaf.id[0].isupper() for leaf in names)


def _leaves(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.BinOp):
        yield from _leaves(node.left)
        yield from _leaves(node.right)
    else:
        yield node


def _without_comments(source: bytes) -> bytes:
    """The text with blanks where comments stand."""
    lines = source.splitlines(keepends=True)
    for token in tokenize.tokenize(io.BytesIO(source).readline):
        if token.type == tokenize.COMMENT:
            number, column = token.start
            line = lines[number - 1]
            at = len(line.decode()[:column].encode())
            lines[number - 1] = line[:at] + b" " * len(token.string.encode()) + line[at + len(token.string.encode()) :]
    return b"".join(lines)


def _squeezed(text: str) -> str:
    return " ".join(text.split())[:_SHOWN]
