"""The loop of the core as WebAssembly text: how an instruction begins, and which function does it."""

from __future__ import annotations

from simkit.backplane.mixed import NO_READ, READS
from simkit.cpu.core.by_hand import NOTE
from simkit.cpu.core.layout import KINDS, LEAVES_AT, LEFT, LEFT_AT_STOPS, LEFT_FROM_FLOOR, STOPS_AT
from simkit.cpu.core.limits import MOST_RECORDS
from simkit.cpu.core.words import (
    add_cycles,
    find_mark,
    get,
    get_long,
    in_page,
    is_marked,
    marked_byte,
    one_more,
    page_at,
    put,
    put_long,
)

_BEHIND = "(i32.and (i32.add (local.get $pc) (i32.const 1)) (i32.const 65535))"
"""The address behind the opcode."""


def _leaves() -> str:
    """Where an opcode is left to the reference engine."""
    return f"(i32.load8_u offset={LEAVES_AT} (i32.add (local.get $s) (local.get $code)))"


def _begins(*, recorded: bool) -> str:
    """What is noted of an instruction before its opcode is fetched."""
    each = f"(if {get('each')} (then (call $registers (local.get $s) (local.get $pc))))"
    return f"""(local.set $at {NOTE.format(get("noted"))})
(i64.store (local.get $at) (local.get $now))
(i32.store offset=8 (local.get $at) (local.get $pc))
{one_more("noted")}
{put("masked", get("i"))}
{put_long("first", "(local.get $now)")}
{put("polls", "(i32.const 0)")}
{each if recorded else ""}"""


def _fetched(left: str, *, recorded: bool) -> str:
    """An opcode is known before anything was noted: where it is left to the reference engine, `left`."""
    record = "(local.get $pc) (local.get $code) (i32.const 0) (i64.const 0)"
    return f"""(if (local.tee $at {_leaves()})
  (then
    (if (i32.and (local.get $at) (i32.const {LEFT})) (then {left}))
    (if (i32.and (local.get $at) (i32.const {LEFT_FROM_FLOOR}))
      (then (if (i32.ge_u {get("sp")} {get("floor")}) (then {left}))))
    (if (i32.and (local.get $at) (i32.const {LEFT_AT_STOPS}))
      (then (if (i32.and (i32.const 1) (i32.shr_u
          (i32.load8_u offset={STOPS_AT} (i32.add (local.get $s) (i32.shr_u (local.get $pc) (i32.const 3))))
          (i32.and (local.get $pc) (i32.const 7))))
        (then {left}))))))
{_begins(recorded=recorded)}
{f"(call $record (local.get $s) {record})" if recorded else ""}
(local.set $pc {_BEHIND})"""


def elsewhere(names: list[str], *, recorded: bool) -> str:
    """One instruction whose opcode lies in no page of plain memory; gives whether the core may go on.

    It stands beside the loop, which would be slower everywhere with one more way through it.
    """
    left = "(return (i32.const 0))"
    return f"""(func $elsewhere{_tail(recorded)} (param $s i32) (result i32)
(local $pc i32) (local $code i32) (local $at i32) (local $mark i32) (local $now i64)
(local.set $now {get_long("cycle")})
(local.set $pc {get("pc")})
{find_mark("(local.get $pc)")}
(if {is_marked(NO_READ | READS)}
  (then
    (local.set $code {marked_byte("(local.get $pc)")})
    {_fetched(left, recorded=recorded)})
  (else
    (if (i32.eqz {get("asks")}) (then {left}))
    {_begins(recorded=recorded)}
    (call $ask_read (local.get $s) (local.get $pc) (i32.const {KINDS["FETCH"]}))
    (if {get("abandon")} (then {left}))
    (local.set $code {get("last")})
    {put_long("first", f"(i64.sub {get_long('cycle')} (i64.const 1))")}
    (local.set $pc {_BEHIND})
    (if {_leaves()}
      (then
        {put("pc", "(local.get $pc)")}
        {put("begun", "(i32.add (local.get $code) (i32.const 1))")}
        {left}))
    {add_cycles(-1)}))
(block $done {_switch(names)})
(i32.eqz {get("leave")}))"""


def run(names: list[str], *, recorded: bool) -> str:
    """The loop: one instruction after another until it must leave."""
    full = f"(if (i32.gt_u (i32.add {get('filled')} (i32.const {MOST_RECORDS})) {get('room')}) (then (return)))"
    tail = _tail(recorded)
    return f"""(func $run{tail} (export "run{tail}") (param $s i32)
(local $pc i32) (local $page i32) (local $code i32) (local $at i32) (local $now i64)
(loop $next
(if (i64.ge_s (local.tee $now {get_long("cycle")}) {get_long("stop")}) (then (return)))
{full if recorded else ""}
(local.set $pc {get("pc")})
(local.set $page {page_at(0, "(local.get $pc)")})
(if (local.get $page)
  (then (local.set $code (i32.load8_u {in_page("(local.get $page)", "(local.get $pc)")})))
  (else
    (local.set $page {page_at(3, "(local.get $pc)")})
    (if (i32.eqz (local.get $page))
      (then
        (br_if $next (call $elsewhere{tail} (local.get $s)))
        (return)))
    (local.set $code (call $crossed_read (local.get $s) (local.get $pc) (local.get $page) {get("last")}))))
{_fetched("(return)", recorded=recorded)}
(block $done {_switch(names)})
(br_if $next (i32.eqz {get("leave")}))))"""


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
