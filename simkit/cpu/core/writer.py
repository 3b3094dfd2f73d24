"""Writes Python functions as WebAssembly text, by their syntax trees."""

from __future__ import annotations

import ast
from textwrap import dedent, indent

from simkit.cpu.core.words import get, put

_BINARY: dict[type, str] = {
    ast.Add: "add",
    ast.Sub: "sub",
    ast.BitAnd: "and",
    ast.BitOr: "or",
    ast.BitXor: "xor",
    ast.LShift: "shl",
    ast.RShift: "shr_s",
}
_COMPARE: dict[type, str] = {ast.Lt: "lt_s", ast.Gt: "gt_s", ast.LtE: "le_s", ast.GtE: "ge_s"}


def functions(source: str) -> dict[str, ast.FunctionDef]:
    """Functions of a text, by name."""
    return {f.name: f for f in ast.parse(source).body if isinstance(f, ast.FunctionDef)}


def body_of(text: str) -> list[ast.stmt]:
    """Statements of a text that stands for the body of a function."""
    return functions(f"def text():\n{indent(dedent(text).strip(), '    ')}")["text"].body


class Writer:
    """Writes the body of a Python function as WebAssembly: whole numbers, assignments, if, and calls."""

    def __init__(self) -> None:
        self.locals: set[str] = set()
        self.prefix = ""  # of the names of a piece that is written in place

    def text(self, name: str, parameters: list[str], body: list[ast.stmt]) -> str:
        """The function."""
        result = " (result i32)" if any(isinstance(s, ast.Return) for s in body) else ""
        lines = self.block(body)
        takes = " ".join(f"(param ${p} i32)" for p in ("s", *parameters))
        has = " ".join(f"(local ${n} i32)" for n in sorted(self.locals - {"s", *parameters}))
        return f"(func ${name} {takes}{result} {has}\n{lines})"

    def block(self, body: list[ast.stmt]) -> str:
        """Statements, one after the other."""
        return "\n".join(self.statement(s) for s in body)

    def statement(self, s: ast.stmt) -> str:
        """One statement."""
        if isinstance(s, ast.Pass) or (isinstance(s, ast.Expr) and isinstance(s.value, ast.Constant)):
            return ""
        if isinstance(s, ast.Expr) and isinstance(s.value, ast.Call):
            return self.call(s.value, wanted=False)
        if isinstance(s, ast.Assign):
            return self.assign(s.targets, s.value)
        if isinstance(s, ast.AugAssign):
            return self.assign([s.target], ast.BinOp(s.target, s.op, s.value))
        if isinstance(s, ast.If):
            other = f" (else {self.block(s.orelse)})" if s.orelse else ""
            return f"(if {self.value(s.test)} (then {self.block(s.body)}){other})"
        if isinstance(s, ast.Return) and s.value is not None:
            return f"(return {self.value(s.value)})"
        raise NotImplementedError(f"{ast.unparse(s)!r} cannot be said in the core")

    def assign(self, targets: list[ast.expr], value: ast.expr) -> str:
        """`a = b = value`, or `a, b = c, d` where no side uses another's target."""
        if isinstance(targets[0], ast.Tuple) and isinstance(value, ast.Tuple):
            pairs = zip(targets[0].elts, value.elts, strict=True)
            return "\n".join(self.assign([target], one) for target, one in pairs)
        if len(targets) == 1:
            return self.store(targets[0], self.value(value))
        kept = self.own("kept")
        stores = (self.store(target, f"(local.get ${kept})") for target in targets)
        return "\n".join((f"(local.set ${kept} {self.value(value)})", *stores))

    def store(self, target: ast.expr, value: str) -> str:
        """Put a value into a register or a name of the text."""
        name = attribute(target)
        if name == "p":
            return f"(call $set_p (local.get $s) {value})"
        if name is not None:
            return put(name, value)
        assert isinstance(target, ast.Name)
        return f"(local.set ${self.own(target.id)} {value})"

    def own(self, name: str) -> str:
        """The local of a name of the text."""
        self.locals.add(self.prefix + name)
        return self.prefix + name

    def register(self, name: str) -> str:
        """Value of a register or flag."""
        return "(call $get_p (local.get $s))" if name == "p" else get(name)

    def value(self, node: ast.expr) -> str:
        """An expression; whether something is true is a number other than 0."""
        name = attribute(node)
        if name is not None:
            return self.register(name)
        if isinstance(node, ast.Constant):
            return f"(i32.const {int(node.value)})"  # type: ignore[arg-type] # the texts hold whole numbers
        if isinstance(node, ast.Name):
            return f"(local.get ${self.own(node.id)})"
        if isinstance(node, ast.BinOp):
            return f"(i32.{_BINARY[type(node.op)]} {self.value(node.left)} {self.value(node.right)})"
        if isinstance(node, ast.UnaryOp):
            inner = self.value(node.operand)
            return f"(i32.eqz {inner})" if isinstance(node.op, ast.Not) else f"(i32.xor {inner} (i32.const -1))"
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            return f"(i32.{_COMPARE[type(node.ops[0])]} {self.value(node.left)} {self.value(node.comparators[0])})"
        if isinstance(node, ast.IfExp):
            then, other = self.value(node.body), self.value(node.orelse)
            return f"(if (result i32) {self.value(node.test)} (then {then}) (else {other}))"
        if isinstance(node, ast.Call):
            return self.call(node, wanted=True)
        raise NotImplementedError(f"{ast.unparse(node)!r} cannot be said in the core")

    def call(self, node: ast.Call, *, wanted: bool) -> str:
        """A call of one of the functions written beside."""
        assert isinstance(node.func, ast.Name)
        arguments = (self.value(a) for a in node.args if not (isinstance(a, ast.Name) and a.id == "cpu"))
        return f"(call ${node.func.id} (local.get $s) {' '.join(arguments)})"


def attribute(node: ast.expr) -> str | None:
    """Name of an attribute of the CPU; None when it is something else."""
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "cpu":
        return node.attr
    return None
