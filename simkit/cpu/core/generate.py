"""The core as WebAssembly text, written from the texts that also make the careful functions.

An instruction becomes a function of the state's address and the program counter behind its opcode. Registers are words
of the state. What the texts call is written in place: pieces of instructions (push, pull, branches) from their own
source, and of each bus cycle a look into the page table with a call-out where no plain page lies.
"""

from __future__ import annotations

import ast
from functools import cache
from textwrap import dedent, indent

from simkit.backplane.mixed import IGNORED, NO_READ, NO_WRITE, READS, WRITES
from simkit.backplane.records import CYCLE_SHIFT, DATA_SHIFT, KIND_SHIFT, RECORD_BYTES, REGISTERS, REST, WRITE
from simkit.cpu.core.layout import (
    CROSSED,
    LEAVES_AT,
    LEFT,
    LEFT_AT_STOPS,
    LEFT_FROM_FLOOR,
    NOTES,
    NOTES_AT,
    OFFSET,
    POLLS,
    RELEASED,
    STOPS_AT,
    TABLE_BYTES,
    WAITING,
    WAITING_AT,
)
from simkit.cpu.core.limits import LEFT_TO_REFERENCE, MOST_RECORDS
from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.bus_texts import PIECES, careful_source
from simkit.cpu.isa.opcodes import OPCODES

KIND = "kind"
"""Parameter of a piece: its kind of cycle, a name of KINDS, known while the text is written."""

KINDS = {"FETCH": 0, "DATA": 1, "DUMMY": 2}
"""Kinds of bus cycle an instruction makes, as `simkit.backplane.cycle.Kind` numbers them."""

MAY_CLEAR_I = frozenset(("CLI", "PLP", "RTI"))

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


def module_text(part: str) -> str:
    """The module of a part ("6502" or "65C02") as text.

    It imports a memory and two functions, `host.read` and `host.write`, that Python answers; it exports `run` and
    `run_recorded`, which take the state's address and go on until they must leave.
    """
    cmos = part == "65C02"
    made = [_HEAD, Writer().text("get_p", [], _body(ops.FLAGS_BYTE))]
    texts = {"set_p": ops.SET_FLAGS_BYTE, **ops.FUNCTIONS[part]}
    made += [Writer().text(name, ["m"], _body(text)) for name, text in texts.items()]
    made += [_CROSSED, _ASK_READ, _ASK_WRITE, _RECORD, _REGISTERS]
    for recorded in (False, True):
        names = []
        for opcode in OPCODES[part]:
            name = "left"
            if opcode.mnemonic not in LEFT_TO_REFERENCE:
                name = f"op_{opcode.code:02X}{'_recorded' if recorded else ''}"
                body = _functions(careful_source(opcode, cmos))[f"careful_{opcode.code:02X}"].body
                instruction = Instruction(recorded, opcode.code, cmos)
                made.append(instruction.text(name, body, opcode.mnemonic in MAY_CLEAR_I))
            names.append(name)
        made += [_elsewhere(names, recorded=recorded), _run(names, recorded=recorded)]
    return "\n".join((*made, ")"))


def _functions(source: str) -> dict[str, ast.FunctionDef]:
    return {f.name: f for f in ast.parse(source).body if isinstance(f, ast.FunctionDef)}


def _body(text: str) -> list[ast.stmt]:
    """Statements of a text that stands for the body of a function."""
    return _functions(f"def text():\n{indent(dedent(text).strip(), '    ')}")["text"].body


@cache
def _pieces() -> dict[str, ast.FunctionDef]:
    return _functions(PIECES)


# the state ------------------------------------------------------------------------------------------------------------


def _get(name: str) -> str:
    return f"(i32.load offset={OFFSET[name]} (local.get $s))"


def _put(name: str, value: str) -> str:
    return f"(i32.store offset={OFFSET[name]} (local.get $s) {value})"


def _get_long(name: str) -> str:
    return f"(i64.load offset={OFFSET[name]} (local.get $s))"


def _put_long(name: str, value: str) -> str:
    return f"(i64.store offset={OFFSET[name]} (local.get $s) {value})"


def _one_more(name: str) -> str:
    return _put(name, f"(i32.add {_get(name)} (i32.const 1))")


def _add_cycles(n: int) -> str:
    return _put_long("cycle", f"(i64.add {_get_long('cycle')} (i64.const {n}))") if n else ""


def _page(table: int, address: str) -> str:
    at = f"(i32.add {_get('tables')} (i32.shl (i32.shr_u {address} (i32.const 8)) (i32.const 2)))"
    return f"(i32.load offset={table * TABLE_BYTES} {at})"


def _in_page(page: str, address: str) -> str:
    return f"(i32.add {page} (i32.and {address} (i32.const 255)))"


def _mark(address: str) -> str:
    """What is marked at an address, kept in the local `mark`."""
    marked = f"(i32.load8_u {_in_page('(local.get $mark)', address)})"
    found = f"(if (result i32) (local.tee $mark {_page(4, address)}) (then {marked}) (else (i32.const 0)))"
    return f"(local.set $mark {found})"


def _is_marked(marks: int) -> str:
    return f"(i32.and (local.get $mark) (i32.const {marks}))"


def _marked_byte(address: str) -> str:
    """Byte that the CPU takes where the mark is one of reads."""
    memory = f"(i32.load8_u {_in_page(_page(5, address), address)})"
    return f"(if (result i32) {_is_marked(NO_READ)} (then {_released()}) (else {memory}))"


def _released() -> str:
    """Byte that the CPU takes then."""
    return f"(i32.load8_u offset={RELEASED} (i32.add {_get('tables')} {_get('last')}))"


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
        name = _attribute(target)
        if name == "p":
            return f"(call $set_p (local.get $s) {value})"
        if name is not None:
            return _put(name, value)
        assert isinstance(target, ast.Name)
        return f"(local.set ${self.own(target.id)} {value})"

    def own(self, name: str) -> str:
        """The local of a name of the text."""
        self.locals.add(self.prefix + name)
        return self.prefix + name

    def register(self, name: str) -> str:
        """Value of a register or flag."""
        return "(call $get_p (local.get $s))" if name == "p" else _get(name)

    def value(self, node: ast.expr) -> str:
        """An expression; whether something is true is a number other than 0."""
        name = _attribute(node)
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


def _attribute(node: ast.expr) -> str | None:
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "cpu":
        return node.attr
    return None


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
        lines = self.block(body) + self.flush() + _put("last", "(local.get $last)") + _put("pc", "(local.get $pc)")
        if may_clear_i:
            lines += f"(if {_get('irq_low')} (then {_put('leave', '(i32.const 1)')}))"
        has = " ".join(f"(local ${n} i32)" for n in sorted(self.locals - {"s", "pc"}))
        first = f"(local.set $last (i32.const {self.code}))"
        return f"(func ${name} (param $s i32) (param $pc i32) {has}\n{first}\n{lines})"

    def flush(self) -> str:
        """Add the cycles that are pending."""
        pending, self.pending = self.pending, 0
        return _add_cycles(pending)

    def statement(self, s: ast.stmt) -> str:
        """One statement; both ways of an `if` end with nothing pending; which part it is is known."""
        if not isinstance(s, ast.If):
            return super().statement(s)
        if _attribute(s.test) == "cmos":
            return self.block(s.body if self.cmos else s.orelse)
        test = self.value(s.test)
        before = self.flush()
        then = self.block(s.body) + self.flush()
        other = f" (else {self.block(s.orelse)}{self.flush()})" if s.orelse else ""
        return f"{before}(if {test} (then {then}){other})"

    def assign(self, targets: list[ast.expr], value: ast.expr) -> str:
        """As a `Writer`; `polls` is kept as one of POLLS, and nothing is due where the core runs."""
        if _attribute(targets[0]) == "due":
            assert ast.unparse(value) == "None"
            return ""
        if _attribute(targets[0]) == "polls":
            text = ast.unparse(value).replace("cpu.", "")
            return _put("polls", f"(i32.const {POLLS[text]})")
        return super().assign(targets, value)

    def store(self, target: ast.expr, value: str) -> str:
        """As a `Writer`."""
        return f"(local.set $pc {value})" if _attribute(target) == "pc" else super().store(target, value)

    def register(self, name: str) -> str:
        """As a `Writer`."""
        return "(local.get $pc)" if name == "pc" else super().register(name)

    def call(self, node: ast.Call, *, wanted: bool) -> str:
        """A bus cycle, a piece of an instruction, or a function."""
        name = _attribute(node.func)
        if name == "read_cycle":
            return self.read(self.value(node.args[0]), KINDS[self.kind_of(node.args[1])], wanted=wanted)
        if name == "write_cycle":
            assert all(self.kind_of(kind) == "DATA" for kind in node.args[2:])
            return self.write(self.value(node.args[0]), self.value(node.args[1]))
        if name == "choose_vector":
            return _get("vector")
        if name == "vector_fetched":
            return _put("fetched", self.value(node.args[0]))
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
            f"(local.set $adr {address})\n(if (local.tee $page {_page(0, '(local.get $adr)')})\n"
            f"(then (local.set $last (i32.load8_u {_in_page('(local.get $page)', '(local.get $adr)')}))"
            f"{self.record(kind)})\n"
            f"(else (if (local.tee $page {_page(3, '(local.get $adr)')})\n"
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
            f"(if (local.tee $page {_page(1, '(local.get $adr)')})\n"
            f"(then (i32.store8 {_in_page('(local.get $page)', '(local.get $adr)')} (local.get $byte))"
            f"{_one_more('stores')}(local.set $last (local.get $byte)){self.record(KINDS['DATA'] | WRITE)})\n"
            f"(else (if (if (result i32) (local.tee $page {_page(3, '(local.get $adr)')})\n"
            f"(then {_word_of('(local.get $page)', 'takes')}) (else (i32.const 0)))\n"
            f"(then (call $crossed_write (local.get $s) (local.get $adr) (local.get $page) (local.get $byte))"
            f"{_one_more('stores')}(local.set $last (local.get $byte)){self.record(KINDS['DATA'] | WRITE)})\n"
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
        return _add_cycles(self.pending) + _put("last", "(local.get $last)") + _put("pc", "(local.get $pc)")

    def after_asking(self) -> str:
        """Given up: so is the instruction. Else this cycle and those before are pending, as on the other way."""
        given_up = f"(if {_get('abandon')} (then (return)))"
        return f"{given_up}(local.set $last {_get('last')}){_add_cycles(-self.pending - 1)}"


# what is written by hand ----------------------------------------------------------------------------------------------

_HEAD = """(module
(import "host" "memory" (memory 1))
(import "host" "read" (func $host_read))
(import "host" "write" (func $host_write))
(func $left (param $s i32) (param $pc i32))"""


def _place(crossed: str) -> str:
    """Where in memory a cell behind exchanged wires lies; without a table of offsets its address pins are straight."""
    byte = "(i32.and (local.get $adr) (i32.const 255))"
    exchanged = f"(i32.load16_u (i32.add (local.get $low) (i32.shl {byte} (i32.const 1))))"
    low = f"(local.tee $low {_word_of(crossed, 'low')})"
    offset = f"(if (result i32) {low} (then {exchanged}) (else {byte}))"
    return f"(i32.add {_word_of(crossed, 'memory')} {offset})"


def _word_of(crossed: str, name: str) -> str:
    return f"(i32.load offset={4 * CROSSED.index(name)} {crossed})"


def _crossed_byte(crossed: str) -> str:
    """Its byte, as it is read."""
    given = f"(i32.load8_u (i32.add {_word_of(crossed, 'gives')} (i32.load8_u {_place(crossed)})))"
    return f"(i32.or {given} (i32.and (local.get $before) {_word_of(crossed, 'keeps')}))"


_PAGE_OF = "(param $s i32) (param $adr i32) (param $crossed i32)"
_CROSSED = f"""(func $crossed_read {_PAGE_OF} (param $before i32) (result i32) (local $low i32)
{_crossed_byte("(local.get $crossed)")})
(func $crossed_write {_PAGE_OF} (param $byte i32) (local $low i32)
(i32.store8 {_place("(local.get $crossed)")}
  (i32.load8_u (i32.add {_word_of("(local.get $crossed)", "takes")} (local.get $byte)))))"""


def _ask(what: str) -> str:
    """Ask Python. It says itself that it answers: without an answer the instruction ends where it stands."""
    left = f"(if {_get('abandon')} (then {_put('leave', '(i32.const 1)')}))"
    return f"{_put('abandon', '(i32.const 1)')}(call $host_{what}){left}"


_ASK_READ = f"""(func $ask_read (param $s i32) (param $adr i32) (param $kind i32) (local $mark i32)
{_mark("(local.get $adr)")}
(if {_is_marked(NO_READ | READS)}
(then
  {_put("last", _marked_byte("(local.get $adr)"))}
  (if {_get("room")}
    (then (call $record (local.get $s) (local.get $adr) {_get("last")} (local.get $kind) (i64.const 0))))
  {_add_cycles(1)}
  (return)))
{_put("address", "(local.get $adr)")}
{_put("kind", "(local.get $kind)")}
{_ask("read")})"""

_NOTE = (
    f"(i32.add (i32.add (local.get $s) (i32.const {NOTES_AT})) "
    f"(i32.shl (i32.and {{0}} (i32.const {NOTES - 1})) (i32.const 4)))"
)
_THIS_NOTE = _NOTE.format(f"(i32.sub {_get('noted')} (i32.const 1))")


def _written() -> str:
    """A write that Python need not see yet, or at all, is made."""
    kind = KINDS["DATA"] | WRITE
    record = f"(call $record (local.get $s) (local.get $adr) (local.get $byte) (i32.const {kind}) (i64.const 0))"
    return f"(if {_get('room')} (then {record})) {_put('last', '(local.get $byte)')} {_add_cycles(1)}"


_ASK_WRITE = f"""(func $ask_write (param $s i32) (param $adr i32) (param $byte i32) (local $map i32) (local $at i32)
(local $mark i32)
{_one_more("stores")}
(if (local.tee $map {_page(2, "(local.get $adr)")})
(then (if (i32.and (i32.load8_u {_in_page("(local.get $map)", "(local.get $adr)")})
  (i32.lt_u {_get("waiting")} (i32.const {WAITING})))
(then
  (local.set $at (i32.add (i32.add (local.get $s) (i32.const {WAITING_AT})) (i32.shl {_get("waiting")} (i32.const 4))))
  (i64.store (local.get $at) {_get_long("cycle")})
  (i32.store16 offset=8 (local.get $at) (i32.load offset=8 {_THIS_NOTE}))
  (i32.store16 offset=10 (local.get $at) (local.get $adr))
  (i32.store8 offset=12 (local.get $at) (local.get $byte))
  (i32.store8 offset=13 (local.get $at) {_get("last")})
  {_one_more("waiting")}
  {_written()}
  (return)))))
{_mark("(local.get $adr)")}
(if (i32.or {_is_marked(NO_WRITE | WRITES)} (i32.and (i32.ne {_is_marked(IGNORED)} (i32.const 0)) {_get("ignores")}))
(then
  (if {_is_marked(WRITES)}
    (then (i32.store8 {_in_page(_page(6, "(local.get $adr)"), "(local.get $adr)")} (local.get $byte))))
  (if {_is_marked(IGNORED)} (then {_one_more("ignored")}))
  {_written()}
  (return)))
{_put("address", "(local.get $adr)")}
{_put("value", "(local.get $byte)")}
{_ask("write")})"""

_RING_END = f"(i32.add {_get('ring')} (i32.mul {_get('filled')} (i32.const {RECORD_BYTES})))"

_RECORD = f"""(func $record (param $s i32) (param $adr i32) (param $byte i32) (param $kind i32) (param $on i64)
(i64.store {_RING_END}
  (i64.or (i64.shl (i64.add {_get_long("cycle")} (local.get $on)) (i64.const {CYCLE_SHIFT}))
    (i64.extend_i32_u (i32.or (local.get $adr) (i32.or
      (i32.shl (local.get $byte) (i32.const {DATA_SHIFT}))
      (i32.shl (local.get $kind) (i32.const {KIND_SHIFT})))))))
{_one_more("filled")})"""


_REGISTERS = f"""(func $registers (param $s i32) (param $pc i32) (local $at i32)
(local.set $at {_RING_END})
(i64.store (local.get $at) (i64.or (i64.shl {_get_long("cycle")} (i64.const {CYCLE_SHIFT}))
  (i64.extend_i32_u (i32.or (i32.const {REGISTERS << KIND_SHIFT})
    (i32.or (i32.shl {_get("a")} (i32.const {DATA_SHIFT})) (local.get $pc))))))
(i64.store offset={RECORD_BYTES} (local.get $at) (i64.or (i64.const {REST << KIND_SHIFT})
  (i64.shl (i64.extend_i32_u (i32.or
    (i32.or {_get("x")} (i32.shl {_get("y")} (i32.const 8)))
    (i32.or (i32.shl {_get("sp")} (i32.const 16)) (i32.shl (call $get_p (local.get $s)) (i32.const 24)))))
  (i64.const {CYCLE_SHIFT}))))
{_put("filled", f"(i32.add {_get('filled')} (i32.const 2))")})"""


_BEHIND = "(i32.and (i32.add (local.get $pc) (i32.const 1)) (i32.const 65535))"
"""The address behind the opcode."""


def _leaves() -> str:
    """Where an opcode is left to the reference engine."""
    return f"(i32.load8_u offset={LEAVES_AT} (i32.add (local.get $s) (local.get $code)))"


def _begins(*, recorded: bool) -> str:
    """What is noted of an instruction before its opcode is fetched."""
    each = f"(if {_get('each')} (then (call $registers (local.get $s) (local.get $pc))))"
    return f"""(local.set $at {_NOTE.format(_get("noted"))})
(i64.store (local.get $at) (local.get $now))
(i32.store offset=8 (local.get $at) (local.get $pc))
{_one_more("noted")}
{_put("masked", _get("i"))}
{_put_long("first", "(local.get $now)")}
{_put("polls", "(i32.const 0)")}
{each if recorded else ""}"""


def _fetched(left: str, *, recorded: bool) -> str:
    """An opcode is known before anything was noted: where it is left to the reference engine, `left`."""
    record = "(local.get $pc) (local.get $code) (i32.const 0) (i64.const 0)"
    return f"""(if (local.tee $at {_leaves()})
  (then
    (if (i32.and (local.get $at) (i32.const {LEFT})) (then {left}))
    (if (i32.and (local.get $at) (i32.const {LEFT_FROM_FLOOR}))
      (then (if (i32.ge_u {_get("sp")} {_get("floor")}) (then {left}))))
    (if (i32.and (local.get $at) (i32.const {LEFT_AT_STOPS}))
      (then (if (i32.and (i32.const 1) (i32.shr_u
          (i32.load8_u offset={STOPS_AT} (i32.add (local.get $s) (i32.shr_u (local.get $pc) (i32.const 3))))
          (i32.and (local.get $pc) (i32.const 7))))
        (then {left}))))))
{_begins(recorded=recorded)}
{f"(call $record (local.get $s) {record})" if recorded else ""}
(local.set $pc {_BEHIND})"""


def _elsewhere(names: list[str], *, recorded: bool) -> str:
    """One instruction whose opcode lies in no page of plain memory; gives whether the core may go on.

    It stands beside the loop, which would be slower everywhere with one more way through it.
    """
    left = "(return (i32.const 0))"
    return f"""(func $elsewhere{_tail(recorded)} (param $s i32) (result i32)
(local $pc i32) (local $code i32) (local $at i32) (local $mark i32) (local $now i64)
(local.set $now {_get_long("cycle")})
(local.set $pc {_get("pc")})
{_mark("(local.get $pc)")}
(if {_is_marked(NO_READ | READS)}
  (then
    (local.set $code {_marked_byte("(local.get $pc)")})
    {_fetched(left, recorded=recorded)})
  (else
    (if (i32.eqz {_get("asks")}) (then {left}))
    {_begins(recorded=recorded)}
    (call $ask_read (local.get $s) (local.get $pc) (i32.const {KINDS["FETCH"]}))
    (if {_get("abandon")} (then {left}))
    (local.set $code {_get("last")})
    {_put_long("first", f"(i64.sub {_get_long('cycle')} (i64.const 1))")}
    (local.set $pc {_BEHIND})
    (if {_leaves()}
      (then
        {_put("pc", "(local.get $pc)")}
        {_put("begun", "(i32.add (local.get $code) (i32.const 1))")}
        {left}))
    {_add_cycles(-1)}))
(block $done {_switch(names)})
(i32.eqz {_get("leave")}))"""


def _run(names: list[str], *, recorded: bool) -> str:
    """The loop: one instruction after another until it must leave."""
    full = f"(if (i32.gt_u (i32.add {_get('filled')} (i32.const {MOST_RECORDS})) {_get('room')}) (then (return)))"
    tail = _tail(recorded)
    return f"""(func $run{tail} (export "run{tail}") (param $s i32)
(local $pc i32) (local $page i32) (local $code i32) (local $at i32) (local $now i64)
(loop $next
(if (i64.ge_s (local.tee $now {_get_long("cycle")}) {_get_long("stop")}) (then (return)))
{full if recorded else ""}
(local.set $pc {_get("pc")})
(local.set $page {_page(0, "(local.get $pc)")})
(if (local.get $page)
  (then (local.set $code (i32.load8_u {_in_page("(local.get $page)", "(local.get $pc)")})))
  (else
    (local.set $page {_page(3, "(local.get $pc)")})
    (if (i32.eqz (local.get $page))
      (then
        (br_if $next (call $elsewhere{tail} (local.get $s)))
        (return)))
    (local.set $code (call $crossed_read (local.get $s) (local.get $pc) (local.get $page) {_get("last")}))))
{_fetched("(return)", recorded=recorded)}
(block $done {_switch(names)})
(br_if $next (i32.eqz {_get("leave")}))))"""


def _tail(recorded: bool) -> str:
    return "_recorded" if recorded else ""


def _switch(names: list[str]) -> str:
    """One way for each opcode: `names` are the functions by opcode."""
    ways = list(dict.fromkeys(names))
    text = f"(block $to_{ways[0]} (br_table {' '.join(f'$to_{name}' for name in names)} $to_left (local.get $code)))"
    for way, following in zip(ways, [*ways[1:], ""], strict=True):
        text = f"{text}\n(call ${way} (local.get $s) (local.get $pc)) (br $done)"
        if following:
            text = f"(block $to_{following} {text})"
    return text
