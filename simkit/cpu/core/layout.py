"""What the core and Python share, as offsets from the address of the state in linear memory.

Everything is addressed from that one address, so that the state may lie anywhere: at the beginning of a memory of its
own, or within the memory of an interpreter that runs in WebAssembly itself.
"""

from __future__ import annotations

WORDS = (
    "pc",
    "a",
    "x",
    "y",
    "sp",
    "n",
    "z",
    "c",
    "v",
    "d",
    "i",
    "last",  # byte on the data lines in the cycle before
    "stores",  # writes made so far, modulo 2**32
    "leave",  # not 0: the instruction under way is the last one
    "abandon",  # not 0: the instruction ends where it stands; set when Python is asked, cleared by a whole answer
    "waiting",  # entries in the list of writes that wait
    "fetched",  # vector that a BRK has fetched last; 0: none was
    "begun",  # not 0: behind this opcode plus 1, which Python was asked for, the instruction is the reference engine's
    "ignored",  # writes that memory ignores, counted since
    "asks",  # not 0: Python is asked for opcodes, too, where no plain memory lies
    "ignores",  # not 0: writes that memory ignores are counted
    "vector",  # that BRK fetches when it chooses now
    "tables",  # address of the page tables in use
    "irq_low",  # not 0: an instruction that may clear I is the last one
    "polls",  # cycles at whose end the last instruction looked for interrupts: a value of POLLS
    "masked",  # I as it stood at that decision
    "magic",  # constant of ANE and LXA
    "noted",  # instructions noted so far, modulo 2**32
    "address",  # of the access that Python is asked for
    "value",  # of a write that Python is asked for
    "kind",  # of that access
    "ring",  # address of the ring of records
    "filled",  # records in it
    "room",  # records that it takes
    "floor",  # value of S from which on opcodes marked LEFT_FROM_FLOOR are the reference engine's
    "each",  # not 0: registers are recorded before each instruction
)
"""32-bit words, from offset 0 on; registers and flags first. Up to `irq_low` all are set when the core is entered."""

LONGS = ("cycle", "stop", "first")
"""64-bit words behind them: the next cycle, the cycle before which an instruction must begin, its first cycle."""


def as_word(address: int) -> int:
    """An address in linear memory as a word holds it: words are signed, and an address may be 2**31 or more."""
    return (address + 0x8000_0000) % 0x1_0000_0000 - 0x8000_0000


_LONGS_AT = (4 * len(WORDS) + 7) // 8 * 8
OFFSET = {name: 4 * n for n, name in enumerate(WORDS)} | {name: _LONGS_AT + 8 * n for n, name in enumerate(LONGS)}
"""Offset of each word."""

REGISTERS = 11
"""Words from `pc` to `i`."""

LEAVES_AT = 256
LEFT, LEFT_FROM_FLOOR, LEFT_AT_STOPS = 1, 2, 4
"""256 bytes, one an opcode: bits for where the instruction is the reference engine's: always, while S is at the
floor or above it, where it stands at a stop."""

STOPS_AT = 512
STOPS_BYTES = 0x2000
"""A bit for each address, the lowest first: whether somebody wants to know when the program arrives there."""

TABLE_BYTES = 1024
TABLES = 7
RELEASED = TABLES * TABLE_BYTES
SETS_BYTES = RELEASED + 256
"""Page tables, 256 addresses each, 0 where there is none: plain reads, plain writes, maps of writes that may wait,
memory behind exchanged wires, maps of marks (`simkit.backplane.mixed`) by address, memory that these mean for reads,
and for writes. Then, by the byte last on the bus, the one that the CPU takes where nobody drives the data lines."""

CROSSED = ("memory", "low", "gives", "takes", "keeps")
"""Words that tell of a page of memory behind exchanged or open wires: addresses of its memory, of the offset (16 bits)
that each low byte of an address reaches (0: each its own), of the byte that is read for each in memory, and of the byte
in memory for each on the bus (0: Python writes); and the bits of a read that are as in the cycle before."""

EMPTY_TABLES_AT = STOPS_AT + STOPS_BYTES
"""Tables without a page: every cycle asks Python."""

TABLES_AT = EMPTY_TABLES_AT + SETS_BYTES
"""Tables of the decoding as it is."""

WAITING_AT = TABLES_AT + SETS_BYTES
WAITING = 2048
WAITING_BYTES = 16
"""Writes that wait: cycle, program counter, address, byte, the byte before it on the bus."""

NOTES_AT = WAITING_AT + WAITING * WAITING_BYTES
NOTES = 8192
NOTE_BYTES = 16
"""The last instructions begun, cycle and program counter: those of a frame that a program spends in a waiting loop."""

STATE_BYTES = NOTES_AT + NOTES * NOTE_BYTES
"""Room for all of it."""

POLLS = {"None": 0, "()": 1, "(first,)": 2, "(first, began - 1)": 3}
"""How an instruction says when it looks, by the text that sets `polls`."""

KINDS = {"FETCH": 0, "DATA": 1, "DUMMY": 2}
"""Kinds of bus cycle an instruction makes, as `simkit.backplane.cycle.Kind` numbers them."""
