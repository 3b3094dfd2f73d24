"""The core as WebAssembly text, written from the texts that also make the careful functions.

An instruction becomes a function of the state's address and the program counter behind its opcode. Registers are words
of the state. What the texts call is written in place: pieces of instructions (push, pull, branches) from their own
source, and of each bus cycle a look into the page table with a call-out where no plain page lies.
"""

from __future__ import annotations

from simkit.cpu.core import by_hand, loop
from simkit.cpu.core.instruction import Instruction
from simkit.cpu.core.limits import LEFT_TO_REFERENCE
from simkit.cpu.core.writer import Writer, body_of, functions
from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.bus_texts import careful_source
from simkit.cpu.isa.opcodes import OPCODES

MAY_CLEAR_I = frozenset(("CLI", "PLP", "RTI"))


def module_text(part: str) -> str:
    """The module of a part ("6502" or "65C02") as text.

    It imports a memory and two functions, `host.read` and `host.write`, that Python answers; it exports `run` and
    `run_recorded`, which take the state's address and go on until they must leave.
    """
    cmos = part == "65C02"
    made = [by_hand.HEAD, Writer().text("get_p", [], body_of(ops.FLAGS_BYTE))]
    texts = {"set_p": ops.SET_FLAGS_BYTE, **ops.FUNCTIONS[part]}
    made += [Writer().text(name, ["m"], body_of(text)) for name, text in texts.items()]
    made += by_hand.FUNCTIONS
    for recorded in (False, True):
        names = []
        for opcode in OPCODES[part]:
            name = "left"
            if opcode.mnemonic not in LEFT_TO_REFERENCE:
                name = f"op_{opcode.code:02X}{'_recorded' if recorded else ''}"
                body = functions(careful_source(opcode, cmos))[f"careful_{opcode.code:02X}"].body
                instruction = Instruction(recorded, opcode.code, cmos)
                made.append(instruction.text(name, body, opcode.mnemonic in MAY_CLEAR_I))
            names.append(name)
        made += [loop.elsewhere(names, recorded=recorded), loop.run(names, recorded=recorded)]
    return "\n".join((*made, ")"))
