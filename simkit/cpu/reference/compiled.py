"""The functions that carry out instructions, compiled from the texts in `simkit/cpu/isa`.

Each opcode has two functions:

careful  does one bus cycle after another, dummy cycles included, through `cpu.read_cycle` and `cpu.write_cycle`. It is
         right in every situation and is the reference.
quick    does the whole instruction at once when all its cycles fall on plain memory (the engine calls it only when
         nothing can happen in between): then nobody can see a dummy read, and none is made, only counted. It looks at
         every page the instruction would touch before it changes anything, and gives back True, with nothing changed,
         when one of them is not plain memory; the engine then takes the careful function.

Text instead of calls, because a function with the operation written inside it runs twice as fast as one that calls it.
The source holds nothing but the texts of this package.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from textwrap import indent
from typing import Any

from simkit.backplane.cycle import Kind
from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.bus_texts import PIECES, careful_source
from simkit.cpu.isa.opcodes import OPCODES, Opcode
from simkit.cpu.reference.quick import quick_body

Careful = Callable[[Any], None]
Quick = Callable[[Any, memoryview, int], bool | None]


@cache
def handlers(part: str, spare_reads_operand: bool) -> tuple[list[Careful], list[Quick]]:
    """Careful and quick functions of a part, indexed by opcode.

    Each is compiled when it is called first: programs use a part of them, and a process that leaves most instructions
    to the core need not wait for all 512. Look them up in the lists at each call; what lies there at first stands
    aside for the function itself.

    Args:
        part: "6502" or "65C02".
        spare_reads_operand: where the spare cycle of an indexed CMOS store that crosses no page reads: the last
            instruction byte again (True) or the target (False).
    """
    cmos = part == "65C02"
    names = _names(functions(part))

    def by_opcode(name: str, source: Callable[[Opcode, bool, bool], str]) -> list[Any]:
        found: list[Any] = []

        def compiled_at_first_call(opcode: Opcode) -> Callable[..., Any]:
            def first_call(*arguments: Any) -> Any:
                exec(source(opcode, cmos, spare_reads_operand), names)  # texts of this package only
                found[opcode.code] = function = names[f"{name}_{opcode.code:02X}"]
                return function(*arguments)

            return first_call

        found += map(compiled_at_first_call, OPCODES[part])
        return found

    return by_opcode("careful", careful_source), by_opcode("quick", quick_source)


def quick_source(opcode: Opcode, cmos: bool, spare_reads_operand: bool) -> str:
    """Source of the quick function: `quick_XX(cpu, page, here)`; page[here] is the opcode, here at most 252."""
    return _definition(f"quick_{opcode.code:02X}(cpu, page, here)", quick_body(opcode, cmos, spare_reads_operand))


@cache
def functions(part: str) -> dict[str, Callable[[Any, int], None]]:
    """What texts of a part call: decimal arithmetic and its like, by name."""
    bodies = ops.FUNCTIONS[part]
    names = _compiled("\n".join(_definition(f"{name}(cpu, m)", body) for name, body in bodies.items()))
    return {name: names[name] for name in bodies}


def pieces() -> dict[str, Callable[..., Any]]:
    """Methods of a CPU that careful functions call, and the two of its property `p`: "flags", "set_flags"."""
    flags = _definition("flags(cpu)", ops.FLAGS_BYTE) + _definition("set_flags(cpu, m)", ops.SET_FLAGS_BYTE)
    return _compiled(PIECES + flags)


def _definition(head: str, body: str) -> str:
    return f"def {head}:\n{indent(body.strip(), '    ')}\n"


def _names(known: Mapping[str, Any]) -> dict[str, Any]:
    return {"DATA": Kind.DATA, "DUMMY": Kind.DUMMY, **known}


def _compiled(source: str) -> dict[str, Any]:
    names = _names({})
    exec(source, names)  # texts of this package only
    return names
