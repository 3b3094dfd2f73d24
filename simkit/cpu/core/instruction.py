"""Writes instructions as WebAssembly text: their bus cycles, and their pieces in place."""

from __future__ import annotations

import ast
from functools import cache

from simkit.backplane.records import WRITE
from simkit.cpu.core.layout import KINDS, POLLS
from simkit.cpu.core.words import add_cycles, crossed_word, get, in_page, one_more, page_at, put
from simkit.cpu.core.writer import Writer, attribute, functions
from simkit.cpu.isa.bus_texts import PIECES

KIND = "kind"
"""Parameter of a piece: its kind of cycle, a name of KINDS, known while the text is written."""


@cache
def _pieces() -> dict[str, ast.FunctionDef]:
    return functions(PIECES)


class Instruction(Writer):
    """Writes an instruction: what a `Writer` can, and bus cycles.

    The program counter and the byte last on the bus are locals. Cycles are counted while the text is written: `pending`
    of them have passed that the word `cycle` does not hold yet. They are added before anybody can look: in a call-out,
    before the two ways of an `if` part, at the end.
    """

    def __init__(self, recorded: bool, code: int, cmos: bool) -> None:
        super().__init__()
        self.recorded = recorded
        self.code = code
        self.cmos = cmos
        self.kind = ""  # of the cycles of the piece that is written
        self.pending = 1  # the fetch

    def text(self, name: str, body: list[ast.stmt], may_clear_i: bool) -> str:  # type: ignore[override]
        """The function."""
        self.locals |= {"last", "adr", "page", "byte"}
        lines = self.block(body) + self.flush() + put("last", "(local.get $last)") + put("pc", "(local.get $pc)")
        if may_clear_i:
            lines += f"(if {get('irq_low')} (then {put('leave', '(i32.const 1)')}))"
        has = " ".join(f"(local ${n} i32)" for n in sorted(self.locals - {"s", "pc"}))
        first = f"(local.set $last (i32.const {self.code}))"
        return f"(func ${name} (param $s i32) (param $pc i32) {has}\n{first}\n{lines})"

    def flush(self) -> str:
        """Add the cycles that are pending."""
        pending, self.pending = self.pending, 0
        return add_cycles(pending)

    def statement(self, s: ast.stmt) -> str:
        """One statement; both ways of an `if` end with nothing pending; which part it is is known."""
        if not isinstance(s, ast.If):
            return super().statement(s)
        if attribute(s.test) == "cmos":
            return self.block(s.body if self.cmos else s.orelse)
        test = self.value(s.test)
        before = self.flush()
        then = self.block(s.body) + self.flush()
        other = f" (else {self.block(s.orelse)}{self.flush()})" if s.orelse else ""
        return f"{before}(if {test} (then {then}){other})"

    def assign(self, targets: list[ast.expr], value: ast.expr) -> str:
        """As a `Writer`; `polls` is kept as one of POLLS, and nothing is due where the core runs."""
        if attribute(targets[0]) == "due":
            assert ast.unparse(value) == "None"
            return ""
        if attribute(targets[0]) == "polls":
            text = ast.unparse(value).replace("cpu.", "")
            return put("polls", f"(i32.const {POLLS[text]})")
        return super().assign(targets, value)

    def store(self, target: ast.expr, value: str) -> str:
        """As a `Writer`."""
        return f"(local.set $pc {value})" if attribute(target) == "pc" else super().store(target, value)

    def register(self, name: str) -> str:
        """As a `Writer`."""
        return "(local.get $pc)" if name == "pc" else super().register(name)

    def call(self, node: ast.Call, *, wanted: bool) -> str:
        """A bus cycle, a piece of an instruction, or a function."""
        name = attribute(node.func)
        if name == "read_cycle":
            return self.read(self.value(node.args[0]), KINDS[self.kind_of(node.args[1])], wanted=wanted)
        if name == "write_cycle":
            assert all(self.kind_of(kind) == "DATA" for kind in node.args[2:])
            return self.write(self.value(node.args[0]), self.value(node.args[1]))
        if name == "choose_vector":
            return get("vector")
        if name == "vector_fetched":
            return put("fetched", self.value(node.args[0]))
        if name is not None:
            return self.piece(_pieces()[name], node.args, wanted=wanted)
        return super().call(node, wanted=wanted)

    def piece(self, piece: ast.FunctionDef, arguments: list[ast.expr], *, wanted: bool) -> str:
        """A piece of an instruction, written in place; its kind of cycle is what it is when nobody says otherwise."""
        parameters = [parameter.arg for parameter in piece.args.args[1:]]
        given = dict(zip(parameters, [*arguments, *piece.args.defaults], strict=False))
        kind = self.kind_of(given.pop(KIND)) if KIND in given else ""
        values = {name: self.value(argument) for name, argument in given.items()}
        outer, self.prefix, self.kind = (self.prefix, self.kind), f"{piece.name}_", kind
        lines = [f"(local.set ${self.own(name)} {value})" for name, value in values.items()]
        result = ""
        for s in piece.body:
            if isinstance(s, ast.Return):
                assert isinstance(s.value, ast.Call)
                result = self.call(s.value, wanted=wanted)
            else:
                lines.append(self.statement(s))
        self.prefix, self.kind = outer
        text = " ".join(lines)
        return f"(block (result i32) {text} {result})" if wanted else f"{text} {result}"

    def kind_of(self, node: ast.expr) -> str:
        """A kind of cycle by its name in the text."""
        assert isinstance(node, ast.Name)
        return self.kind if node.id == KIND else node.id

    def read(self, address: str, kind: int, *, wanted: bool) -> str:
        """A read cycle; leaves the byte in `last`."""
        text = (
            f"(local.set $adr {address})\n(if (local.tee $page {page_at(0, '(local.get $adr)')})\n"
            f"(then (local.set $last (i32.load8_u {in_page('(local.get $page)', '(local.get $adr)')}))"
            f"{self.record(kind)})\n"
            f"(else (if (local.tee $page {page_at(3, '(local.get $adr)')})\n"
            f"(then (local.set $last "
            f"(call $crossed_read (local.get $s) (local.get $adr) (local.get $page) (local.get $last)))"
            f"{self.record(kind)})\n"
            f"(else {self.before_asking()}(call $ask_read (local.get $s) (local.get $adr) (i32.const {kind}))"
            f"{self.after_asking()}))))\n"
        )
        self.pending += 1
        return f"(block (result i32) {text} (local.get $last))" if wanted else text

    def write(self, address: str, value: str) -> str:
        """A write cycle."""
        text = (
            f"(local.set $byte {value})(local.set $adr {address})\n"
            f"(if (local.tee $page {page_at(1, '(local.get $adr)')})\n"
            f"(then (i32.store8 {in_page('(local.get $page)', '(local.get $adr)')} (local.get $byte))"
            f"{one_more('stores')}(local.set $last (local.get $byte)){self.record(KINDS['DATA'] | WRITE)})\n"
            f"(else (if (if (result i32) (local.tee $page {page_at(3, '(local.get $adr)')})\n"
            f"(then {crossed_word('(local.get $page)', 'takes')}) (else (i32.const 0)))\n"
            f"(then (call $crossed_write (local.get $s) (local.get $adr) (local.get $page) (local.get $byte))"
            f"{one_more('stores')}(local.set $last (local.get $byte)){self.record(KINDS['DATA'] | WRITE)})\n"
            f"(else {self.before_asking()}(call $ask_write (local.get $s) (local.get $adr) (local.get $byte))"
            f"{self.after_asking()}))))\n"
        )
        self.pending += 1
        return text

    def record(self, kind: int) -> str:
        """Record a cycle on plain memory; those that Python is asked for it records itself."""
        if not self.recorded:
            return ""
        what = f"(local.get $adr) (local.get $last) (i32.const {kind}) (i64.const {self.pending})"
        return f"(call $record (local.get $s) {what})"

    def before_asking(self) -> str:
        """Python sees the state as it stands at the beginning of the cycle."""
        return add_cycles(self.pending) + put("last", "(local.get $last)") + put("pc", "(local.get $pc)")

    def after_asking(self) -> str:
        """Given up: so is the instruction. Else this cycle and those before are pending, as on the other way."""
        given_up = f"(if {get('abandon')} (then (return)))"
        return f"{given_up}(local.set $last {get('last')}){add_cycles(-self.pending - 1)}"
