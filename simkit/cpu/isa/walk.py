"""Walks the text of an instruction along every way through it, and tells its bus cycles and what it leaves.

Nothing is run: values are formulas over what stood there before the instruction. Effects and bus patterns are read off
the result. A formula is an integer, a name, or an operation with its operands:

    pc              address of the opcode             first second  the bytes behind it
    a x y sp        registers                         n z c v d i   flags as operations.py keeps them; p: all in a byte
    ("memory", f)   the byte that was read at f       ("call", name, ...)  what one of operations.FUNCTIONS works out
    stored          in the address of a write: the byte that is written
    ("+", f, g)     operators as Python writes them; sums under a mask are put together, so that two texts that mean
                    the same address give the same formula
"""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable, Iterator
from functools import cache
from textwrap import indent
from typing import Any

import attrs

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.bus_texts import PIECES, careful_source
from simkit.cpu.isa.opcodes import OPCODES

Formula = int | str | tuple[Any, ...]

REGISTERS = ("a", "x", "y", "sp")
FLAGS = ("n", "z", "c", "v", "d", "i")

_SYMBOLS: dict[type[ast.AST], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.BitAnd: "&",
    ast.BitOr: "|",
    ast.BitXor: "^",
    ast.LShift: "<<",
    ast.RShift: ">>",
    ast.Lt: "<",
    ast.Gt: ">",
    ast.Not: "not",
    ast.Invert: "~",
}
_COMPUTE: dict[str, Callable[..., int]] = {
    "+": operator.add,
    "-": operator.sub,
    "&": operator.and_,
    "|": operator.or_,
    "^": operator.xor,
    "<<": operator.lshift,
    ">>": operator.rshift,
    "<": operator.lt,
    ">": operator.gt,
    "not": operator.not_,
    "~": operator.inv,
}
_OTHER_SIGN = {"+": "-", "-": "+"}
_MASKS = (0xFF, 0xFFFF)
_UNTOUCHED = {"vector_fetched", "stop", "jam"}
"""What a text asks of the cpu without a bus cycle, and without a result."""

_BRK_VECTOR = 0xFFFE
"""Answer to `choose_vector` while no NMI comes."""


@attrs.frozen(slots=True)
class Cycle:
    """One bus cycle.

    Attributes:
        address: formula of the address.
        is_write: a write.
        is_dummy: a read that nobody wants.
        data: formula of the byte written; 0 for a read.
    """

    address: Formula
    is_write: bool = False
    is_dummy: bool = False
    data: Formula = 0


@attrs.frozen(slots=True)
class Way:
    """One way through the text of an instruction.

    Attributes:
        decisions: what is decided on it, by the formula that decides.
        cycles: its bus cycles, the opcode fetch first.
        results: formulas of the registers and flags that get a value, and of `pc`.
        reads: registers and flags whose value before the instruction is looked at.
    """

    decisions: dict[Formula, bool]
    cycles: tuple[Cycle, ...]
    results: dict[str, Formula]
    reads: frozenset[str]


@cache
def ways(part: str, code: int) -> tuple[Way, ...]:
    """All ways through an opcode of a part, with its indexed stores as they are by default (careful_source)."""
    body = _definitions(careful_source(OPCODES[part][code], part == "65C02"))[f"careful_{code:02X}"].body
    found = []
    plan: list[bool] | None = []
    while plan is not None:
        walk = _Walk(part, plan)
        walk.run(body)
        found.append(walk.way())
        decided = list(walk.decisions.values())
        while decided and decided[-1]:  # both have been tried
            decided.pop()
        plan = [*decided[:-1], True] if decided else None
    return tuple(found)


def formula(text: str) -> Formula:
    """The formula of an expression, e.g. `first + x & 0xFF`; what it names stands for itself."""
    return _Walk("6502", []).value(ast.parse(text, mode="eval").body)


def shown(found: Formula) -> str:
    """A formula as a Python expression over `memory` and names."""
    if isinstance(found, int):
        return hex(found)
    if isinstance(found, str):
        return found
    symbol, *rest = found
    if symbol == "memory":
        return f"memory[{shown(rest[0])}]"
    if symbol == "call":
        return f"{rest[0]}({', '.join(shown(each) for each in rest[1:])})"
    if len(rest) == 1:
        return f"({symbol} {shown(rest[0])})"
    return f"({shown(rest[0])} {symbol} {shown(rest[1])})"


def names(found: Formula) -> Iterator[str]:
    """Names in a formula."""
    if isinstance(found, str):
        yield found
    elif isinstance(found, tuple):
        for each in found[1:]:
            yield from names(each)


def _definitions(source: str) -> dict[str, ast.FunctionDef]:
    return {each.name: each for each in ast.parse(source).body if isinstance(each, ast.FunctionDef)}


@cache
def _pieces() -> dict[str, ast.FunctionDef]:
    return _definitions(PIECES)


@cache
def _touched(body: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Registers and flags that the body of a function looks at, and those that it gives a value."""
    found: dict[type[ast.AST], list[str]] = {ast.Load: [], ast.Store: []}
    for node in ast.walk(ast.parse(f"def body():\n{indent(body.strip(), ' ')}")):
        if isinstance(node, ast.Attribute) and node.attr not in found[type(node.ctx)]:
            found[type(node.ctx)].append(node.attr)
    return tuple(found[ast.Load]), tuple(found[ast.Store])


class _Walk:
    """One way through one text, with a plan for the first decisions; those after it fall False."""

    def __init__(self, part: str, plan: list[bool]) -> None:
        self.decisions: dict[Formula, bool] = {}
        self._part = part
        self._plan = plan
        self._values: dict[str, Formula] = {"pc": _operation("&", ("+", "pc", 1), 0xFFFF)}
        self._reads: set[str] = set()
        self._cycles = [Cycle("pc")]
        self._locals: dict[str, Formula] = {}

    def way(self) -> Way:
        """What was found."""
        return Way(self.decisions, tuple(self._cycles), self._values, frozenset(self._reads))

    # statements -----------------------------------------------------------------------------------------------------

    def run(self, body: list[ast.stmt]) -> Formula | None:
        """Go through statements; gives what they return, None if they do not."""
        for statement in body:
            match statement:
                case ast.Return(value=ast.expr() as expression):
                    return self.value(expression)
                case ast.Assign(targets=targets, value=expression):
                    value = self.value(expression)
                    for target in targets:
                        self._put(target, value)
                case ast.AugAssign(target=ast.Name(id=name) as target, op=op, value=expression):
                    self._put(target, _operation(_SYMBOLS[type(op)], self._locals[name], self.value(expression)))
                case ast.If(test=test, body=then, orelse=otherwise):
                    result = self.run(then if self._decide(self.value(test)) else otherwise)
                    if result is not None:
                        return result
                case ast.Expr(value=expression):
                    self.value(expression)
                case ast.Pass():
                    pass
                case _:
                    raise NotImplementedError(f"texts have no {ast.unparse(statement)!r}")
        return None

    def _put(self, target: ast.expr, value: Formula) -> None:
        if isinstance(target, ast.Name):
            self._locals[target.id] = value
        elif isinstance(target, ast.Attribute) and target.attr == "p":
            for name in _touched(ops.SET_FLAGS_BYTE)[1]:
                self._values[name] = ("call", "set_flags", value)
        elif isinstance(target, ast.Attribute) and target.attr in (*REGISTERS, *FLAGS, "pc"):
            self._values[target.attr] = value

    def _decide(self, condition: Formula) -> bool:
        if isinstance(condition, int):
            return bool(condition)
        number = len(self.decisions)
        return self.decisions.setdefault(condition, self._plan[number] if number < len(self._plan) else False)

    # expressions ----------------------------------------------------------------------------------------------------

    def value(self, node: ast.expr) -> Formula:
        """Formula of an expression; bus cycles in it happen."""
        match node:
            case ast.Constant(value=value):
                return value if isinstance(value, int) else 0
            case ast.Name(id=name):
                return self._locals.get(name, name)
            case ast.Attribute(attr=name):
                return self._attribute(name)
            case ast.Subscript(slice=index):
                return ("memory", self.value(index))
            case ast.BinOp(left=left, op=op, right=right):
                return _operation(_SYMBOLS[type(op)], self.value(left), self.value(right))
            case ast.UnaryOp(op=op, operand=operand):
                return _operation(_SYMBOLS[type(op)], self.value(operand))
            case ast.Compare(left=left, ops=[op], comparators=[right]):
                return _operation(_SYMBOLS[type(op)], self.value(left), self.value(right))
            case ast.IfExp(test=test, body=then, orelse=otherwise):
                return self.value(then if self._decide(self.value(test)) else otherwise)
            case ast.Tuple():
                return 0  # cycles at which an interrupt is looked for
            case ast.Call(func=ast.Name(id=name), args=[_, argument]):
                return self._function(name, self.value(argument))
            case ast.Call(func=ast.Attribute(attr=name), args=arguments):
                return self._method(name, [self.value(each) for each in arguments])
        raise NotImplementedError(f"texts have no {ast.unparse(node)!r}")

    def _attribute(self, name: str) -> Formula:
        if name == "cmos":
            return int(self._part == "65C02")
        if name == "p":
            self._reads.update(_touched(ops.FLAGS_BYTE)[0])
            return "p"
        if name not in self._values and name in (*REGISTERS, *FLAGS):
            self._reads.add(name)
        return self._values.get(name, name)

    def _function(self, name: str, argument: Formula) -> Formula:
        """One of operations.FUNCTIONS: what it looks at goes in, what it gives a value comes out."""
        looked_at, given = _touched(ops.FUNCTIONS[self._part][name])
        result = ("call", name, argument, *(self._attribute(each) for each in looked_at))
        self._values.update(dict.fromkeys(given, result))
        return result

    def _method(self, name: str, arguments: list[Formula]) -> Formula:
        if name == "read_cycle":
            address, kind = arguments
            self._cycles.append(Cycle(address, is_dummy=kind == "DUMMY"))
            return {_FIRST: "first", _SECOND: "second"}.get(address, ("memory", address))
        if name == "write_cycle":
            address, data = arguments[:2]
            self._cycles.append(Cycle(_replaced(address, data, "stored"), is_write=True, data=data))
            return 0
        if name == "choose_vector":
            return _BRK_VECTOR
        if name in _UNTOUCHED:
            return 0
        piece = _pieces()[name]
        parameters = [each.arg for each in piece.args.args[1:]]
        outside = self._locals
        self._locals = dict(zip(parameters, arguments, strict=False))
        for parameter, default in zip(reversed(parameters), reversed(piece.args.defaults), strict=False):
            self._locals.setdefault(parameter, self.value(default))
        result = self.run(piece.body)
        self._locals = outside
        return 0 if result is None else result


def _operation(symbol: str, *operands: Formula) -> Formula:
    if all(isinstance(each, int) for each in operands):
        return _COMPUTE[symbol](*operands)
    if symbol == "&" and operands[1] in _MASKS:
        return _masked(operands[0], int(operands[1]))
    return (symbol, *operands)


def _masked(found: Formula, mask: int) -> Formula:
    """A sum under a mask: its terms in order, masks inside that take nothing away left out, constants added up."""
    terms: list[tuple[str, Formula]] = []
    constant = 0

    def collect(part: Formula, sign: str) -> None:
        nonlocal constant
        if isinstance(part, int):
            constant += part if sign == "+" else -part
        elif isinstance(part, tuple) and part[0] in ("+", "-"):
            collect(part[1], sign)
            collect(part[2], sign if part[0] == "+" else _OTHER_SIGN[sign])
        elif isinstance(part, tuple) and part[0] == "&" and part[2] in _MASKS and part[2] >= mask:
            collect(part[1], sign)
        else:
            terms.append((sign, part))

    collect(found, "+")
    total: Formula = terms[0][1]
    for sign, term in terms[1:]:
        total = (sign, total, term)
    constant = (constant + mask // 2 & mask) - mask // 2
    if constant:
        total = ("+" if constant > 0 else "-", total, abs(constant))
    return ("&", total, mask)


def _replaced(found: Formula, part: Formula, name: str) -> Formula:
    if found == part:
        return name
    return (found[0], *(_replaced(each, part, name) for each in found[1:])) if isinstance(found, tuple) else found


_FIRST, _SECOND = (_operation("&", ("+", "pc", number), 0xFFFF) for number in (1, 2))
