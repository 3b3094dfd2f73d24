"""The state, page tables and marks in linear memory, as WebAssembly text.

Of a function with the state's address in the local `s`.
"""

from __future__ import annotations

from simkit.backplane.mixed import NO_READ
from simkit.cpu.core.layout import CROSSED, OFFSET, RELEASED, TABLE_BYTES


def get(name: str) -> str:
    """A word of the state."""
    return f"(i32.load offset={OFFSET[name]} (local.get $s))"


def put(name: str, value: str) -> str:
    """Set a word of the state."""
    return f"(i32.store offset={OFFSET[name]} (local.get $s) {value})"


def get_long(name: str) -> str:
    """A 64-bit word of the state."""
    return f"(i64.load offset={OFFSET[name]} (local.get $s))"


def put_long(name: str, value: str) -> str:
    """Set a 64-bit word of the state."""
    return f"(i64.store offset={OFFSET[name]} (local.get $s) {value})"


def one_more(name: str) -> str:
    """Count a word up."""
    return put(name, f"(i32.add {get(name)} (i32.const 1))")


def add_cycles(n: int) -> str:
    """Let cycles pass; nothing where there are none."""
    return put_long("cycle", f"(i64.add {get_long('cycle')} (i64.const {n}))") if n else ""


def page_at(table: int, address: str) -> str:
    """Entry of a page table, by its number in `layout`, for an address."""
    at = f"(i32.add {get('tables')} (i32.shl (i32.shr_u {address} (i32.const 8)) (i32.const 2)))"
    return f"(i32.load offset={table * TABLE_BYTES} {at})"


def in_page(page: str, address: str) -> str:
    """Where the byte of an address stands, in the page or map that begins there."""
    return f"(i32.add {page} (i32.and {address} (i32.const 255)))"


def find_mark(address: str) -> str:
    """What is marked at an address, kept in the local `mark`."""
    marked = f"(i32.load8_u {in_page('(local.get $mark)', address)})"
    found = f"(if (result i32) (local.tee $mark {page_at(4, address)}) (then {marked}) (else (i32.const 0)))"
    return f"(local.set $mark {found})"


def is_marked(marks: int) -> str:
    """Those of the marks that the local `mark` has."""
    return f"(i32.and (local.get $mark) (i32.const {marks}))"


def marked_byte(address: str) -> str:
    """Byte that the CPU takes where the mark is one of reads."""
    memory = f"(i32.load8_u {in_page(page_at(5, address), address)})"
    return f"(if (result i32) {is_marked(NO_READ)} (then {released()}) (else {memory}))"


def released() -> str:
    """Byte that the CPU takes then."""
    return f"(i32.load8_u offset={RELEASED} (i32.add {get('tables')} {get('last')}))"


def crossed_word(crossed: str, name: str) -> str:
    """A word of `layout.CROSSED` of a page behind odd wires."""
    return f"(i32.load offset={4 * CROSSED.index(name)} {crossed})"
