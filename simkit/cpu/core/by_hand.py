"""What the core calls beside instructions, as WebAssembly text: memory behind odd wires, asking Python, recording."""

from __future__ import annotations

from simkit.backplane.mixed import IGNORED, NO_READ, NO_WRITE, READS, WRITES
from simkit.backplane.records import CYCLE_SHIFT, DATA_SHIFT, KIND_SHIFT, RECORD_BYTES, REGISTERS, REST, WRITE
from simkit.cpu.core.layout import KINDS, NOTES, NOTES_AT, WAITING, WAITING_AT
from simkit.cpu.core.words import (
    add_cycles,
    crossed_word,
    find_mark,
    get,
    get_long,
    in_page,
    is_marked,
    marked_byte,
    one_more,
    page_at,
    put,
)

HEAD = """(module
(import "host" "memory" (memory 1))
(import "host" "read" (func $host_read))
(import "host" "write" (func $host_write))
(func $left (param $s i32) (param $pc i32))"""


def _place(crossed: str) -> str:
    """Where in memory a cell behind exchanged wires lies; without a table of offsets its address pins are straight."""
    byte = "(i32.and (local.get $adr) (i32.const 255))"
    exchanged = f"(i32.load16_u (i32.add (local.get $low) (i32.shl {byte} (i32.const 1))))"
    low = f"(local.tee $low {crossed_word(crossed, 'low')})"
    offset = f"(if (result i32) {low} (then {exchanged}) (else {byte}))"
    return f"(i32.add {crossed_word(crossed, 'memory')} {offset})"


def _crossed_byte(crossed: str) -> str:
    """Its byte, as it is read."""
    given = f"(i32.load8_u (i32.add {crossed_word(crossed, 'gives')} (i32.load8_u {_place(crossed)})))"
    return f"(i32.or {given} (i32.and (local.get $before) {crossed_word(crossed, 'keeps')}))"


_PAGE_OF = "(param $s i32) (param $adr i32) (param $crossed i32)"
_CROSSED = f"""(func $crossed_read {_PAGE_OF} (param $before i32) (result i32) (local $low i32)
{_crossed_byte("(local.get $crossed)")})
(func $crossed_write {_PAGE_OF} (param $byte i32) (local $low i32)
(i32.store8 {_place("(local.get $crossed)")}
  (i32.load8_u (i32.add {crossed_word("(local.get $crossed)", "takes")} (local.get $byte)))))"""


def _ask(what: str) -> str:
    """Ask Python. It says itself that it answers: without an answer the instruction ends where it stands."""
    left = f"(if {get('abandon')} (then {put('leave', '(i32.const 1)')}))"
    return f"{put('abandon', '(i32.const 1)')}(call $host_{what}){left}"


_ASK_READ = f"""(func $ask_read (param $s i32) (param $adr i32) (param $kind i32) (local $mark i32)
{find_mark("(local.get $adr)")}
(if {is_marked(NO_READ | READS)}
(then
  {put("last", marked_byte("(local.get $adr)"))}
  (if {get("room")}
    (then (call $record (local.get $s) (local.get $adr) {get("last")} (local.get $kind) (i64.const 0))))
  {add_cycles(1)}
  (return)))
{put("address", "(local.get $adr)")}
{put("kind", "(local.get $kind)")}
{_ask("read")})"""

NOTE = (
    f"(i32.add (i32.add (local.get $s) (i32.const {NOTES_AT})) "
    f"(i32.shl (i32.and {{0}} (i32.const {NOTES - 1})) (i32.const 4)))"
)
_THIS_NOTE = NOTE.format(f"(i32.sub {get('noted')} (i32.const 1))")


def _written() -> str:
    """A write that Python need not see yet, or at all, is made."""
    kind = KINDS["DATA"] | WRITE
    record = f"(call $record (local.get $s) (local.get $adr) (local.get $byte) (i32.const {kind}) (i64.const 0))"
    return f"(if {get('room')} (then {record})) {put('last', '(local.get $byte)')} {add_cycles(1)}"


_ASK_WRITE = f"""(func $ask_write (param $s i32) (param $adr i32) (param $byte i32) (local $map i32) (local $at i32)
(local $mark i32)
{one_more("stores")}
(if (local.tee $map {page_at(2, "(local.get $adr)")})
(then (if (i32.and (i32.load8_u {in_page("(local.get $map)", "(local.get $adr)")})
  (i32.lt_u {get("waiting")} (i32.const {WAITING})))
(then
  (local.set $at (i32.add (i32.add (local.get $s) (i32.const {WAITING_AT})) (i32.shl {get("waiting")} (i32.const 4))))
  (i64.store (local.get $at) {get_long("cycle")})
  (i32.store16 offset=8 (local.get $at) (i32.load offset=8 {_THIS_NOTE}))
  (i32.store16 offset=10 (local.get $at) (local.get $adr))
  (i32.store8 offset=12 (local.get $at) (local.get $byte))
  (i32.store8 offset=13 (local.get $at) {get("last")})
  {one_more("waiting")}
  {_written()}
  (return)))))
{find_mark("(local.get $adr)")}
(if (i32.or {is_marked(NO_WRITE | WRITES)} (i32.and (i32.ne {is_marked(IGNORED)} (i32.const 0)) {get("ignores")}))
(then
  (if {is_marked(WRITES)}
    (then (i32.store8 {in_page(page_at(6, "(local.get $adr)"), "(local.get $adr)")} (local.get $byte))))
  (if {is_marked(IGNORED)} (then {one_more("ignored")}))
  {_written()}
  (return)))
{put("address", "(local.get $adr)")}
{put("value", "(local.get $byte)")}
{_ask("write")})"""

_RING_END = f"(i32.add {get('ring')} (i32.mul {get('filled')} (i32.const {RECORD_BYTES})))"

_RECORD = f"""(func $record (param $s i32) (param $adr i32) (param $byte i32) (param $kind i32) (param $on i64)
(i64.store {_RING_END}
  (i64.or (i64.shl (i64.add {get_long("cycle")} (local.get $on)) (i64.const {CYCLE_SHIFT}))
    (i64.extend_i32_u (i32.or (local.get $adr) (i32.or
      (i32.shl (local.get $byte) (i32.const {DATA_SHIFT}))
      (i32.shl (local.get $kind) (i32.const {KIND_SHIFT})))))))
{one_more("filled")})"""


_REGISTERS = f"""(func $registers (param $s i32) (param $pc i32) (local $at i32)
(local.set $at {_RING_END})
(i64.store (local.get $at) (i64.or (i64.shl {get_long("cycle")} (i64.const {CYCLE_SHIFT}))
  (i64.extend_i32_u (i32.or (i32.const {REGISTERS << KIND_SHIFT})
    (i32.or (i32.shl {get("a")} (i32.const {DATA_SHIFT})) (local.get $pc))))))
(i64.store offset={RECORD_BYTES} (local.get $at) (i64.or (i64.const {REST << KIND_SHIFT})
  (i64.shl (i64.extend_i32_u (i32.or
    (i32.or {get("x")} (i32.shl {get("y")} (i32.const 8)))
    (i32.or (i32.shl {get("sp")} (i32.const 16)) (i32.shl (call $get_p (local.get $s)) (i32.const 24)))))
  (i64.const {CYCLE_SHIFT}))))
{put("filled", f"(i32.add {get('filled')} (i32.const 2))")})"""

FUNCTIONS = (_CROSSED, _ASK_READ, _ASK_WRITE, _RECORD, _REGISTERS)
"""Texts of all of them."""
