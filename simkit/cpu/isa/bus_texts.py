"""What an instruction does on the bus, as text: Python functions of a small subset, written per opcode.

Everything else about the instruction set that has to do with cycles comes from these texts: the reference engine
compiles them, and effects and bus patterns are read off them (walk.py). There are two kinds:

careful functions  `careful_XX(cpu)`, one an opcode, called after the opcode fetch with `cpu.pc` behind it: one bus
                   cycle after another, dummy cycles included, from templates per addressing mode with the text of an
                   operation inside. They are generated because the same few shapes return in 256 opcodes.
pieces             what they are made of; they call each other as methods of the cpu.

In a careful function `at` is the effective address, `m` the byte, `low` the low byte of an address after indexing (more
than 255: the sum crossed a page), `base` the high byte of an address in place.

A cpu that runs them has the registers and flags of operations.py, `pc`, `sp`, the pieces, and:

    read_cycle(address, kind), write_cycle(address, value, kind)   one bus cycle; kind is DATA or DUMMY
    cycle began first       the next cycle; the cycle of the last access; that of the opcode fetch
    polls masked            set where an instruction decides about interrupts in another way than usual
    choose_vector()         $FFFE, or $FFFA when an NMI takes the sequence; vector_fetched(vector) ends that
    last_cycle_stalled      whether RDY held the last cycle
    magic cmos due waiting stop() jam(code)

The subset: integers, names, assignments, `if`, conditional expressions, calls of pieces and of `operations.FUNCTIONS`.
"""

from __future__ import annotations

from textwrap import indent

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import Opcode

PIECES = """
def operand(cpu):
    pc = cpu.pc
    cpu.pc = pc + 1 & 0xFFFF
    return cpu.read_cycle(pc, DATA)

def data(cpu, address):
    return cpu.read_cycle(address, DATA)

def dummy(cpu, address):
    cpu.read_cycle(address, DUMMY)

def push(cpu, value, kind=DATA):
    cpu.write_cycle(0x100 | cpu.sp, value, kind)
    cpu.sp = cpu.sp - 1 & 0xFF

def pull(cpu):
    cpu.sp = cpu.sp + 1 & 0xFF
    return cpu.read_cycle(0x100 | cpu.sp, DATA)

def take_branch(cpu, offset):
    pc = cpu.pc
    target = pc + (offset ^ 0x80) - 0x80 & 0xFFFF
    cpu.read_cycle(pc, DUMMY)
    if (pc ^ target) & 0xFF00:
        cpu.read_cycle(pc & 0xFF00 | target & 0xFF, DUMMY)
        cpu.polls = (cpu.first, cpu.began - 1)
    else:
        cpu.polls = (cpu.first,)
    cpu.pc = target

def take_branch_on_bit(cpu, offset):
    pc = cpu.pc
    target = pc + (offset ^ 0x80) - 0x80 & 0xFFFF
    cpu.read_cycle(pc, DUMMY)
    if (pc ^ target) & 0xFF00:
        cpu.read_cycle(pc, DUMMY)
    cpu.pc = target

def enter_handler(cpu, bits, kind=DATA):
    cpu.push(cpu.pc >> 8, kind)
    cpu.push(cpu.pc & 0xFF, kind)
    vector = cpu.choose_vector()
    cpu.push(cpu.p | bits, kind)
    cpu.fetch_vector(vector, kind)

def fetch_vector(cpu, vector, kind):
    low = cpu.read_cycle(vector, kind)
    cpu.pc = cpu.read_cycle(vector + 1, kind) << 8 | low
    cpu.i = 1
    if cpu.cmos:
        cpu.d = 0
    cpu.polls = ()
    cpu.due = None
    cpu.vector_fetched(vector)
"""
"""The pieces.

operand             the byte at PC, and on
data, dummy         a byte; a byte that nobody wants
push, pull          the stack
take_branch         third and fourth cycle of a branch, which set where it decides about interrupts
take_branch_on_bit  last cycles of BBR and BBS; they decide in the penultimate cycle (no source says otherwise)
enter_handler       cycles 3 to 7 of BRK, IRQ and NMI; `bits` are those of the pushed flags that no flag stands behind
fetch_vector        the last two cycles of these and of RESET
"""


def careful_source(opcode: Opcode, cmos: bool, spare_reads_operand: bool = False) -> str:
    """Source of the careful function of an opcode.

    Args:
        opcode: an opcode of the part.
        cmos: whether the part is the W65C02S.
        spare_reads_operand: where the spare cycle of an indexed CMOS store that crosses no page reads: the last
            instruction byte again (True) or the target (False).
    """
    body = _Careful(opcode, cmos, spare_reads_operand).body()
    return f"def careful_{opcode.code:02X}(cpu):\n{indent(body.strip(), '    ')}\n"


_OPERAND = "cpu.operand()"
_LAST_BYTE = "cpu.dummy(cpu.pc - 1 & 0xFFFF)"
_AT_STACK = "cpu.dummy(0x100 | cpu.sp)"

_POINTER = {  # from the operand to `low` and `base`, before the index
    "absx": "low = cpu.operand() + cpu.x\nbase = cpu.operand() << 8",
    "absy": "low = cpu.operand() + cpu.y\nbase = cpu.operand() << 8",
    "indy": "z = cpu.operand()\nlow = cpu.data(z) + cpu.y\nbase = cpu.data(z + 1 & 0xFF) << 8",
}

_ADDRESS = {  # all cycles up to the effective address, for modes in which they are the same for every use
    "zp": "at = cpu.operand()",
    "zpx": "z = cpu.operand()\ncpu.dummy(z)\nat = z + cpu.x & 0xFF",
    "zpy": "z = cpu.operand()\ncpu.dummy(z)\nat = z + cpu.y & 0xFF",
    "abs": "low = cpu.operand()\nat = cpu.operand() << 8 | low",
    "izp": "z = cpu.operand()\nlow = cpu.data(z)\nat = cpu.data(z + 1 & 0xFF) << 8 | low",
    "indx": (
        "z = cpu.operand()\ncpu.dummy(z)\nz = z + cpu.x & 0xFF\n"
        "low = cpu.data(z)\nat = cpu.data(z + 1 & 0xFF) << 8 | low"
    ),
}


class _Careful:
    """The templates, one method a family of instructions."""

    def __init__(self, opcode: Opcode, cmos: bool, spare_reads_operand: bool) -> None:
        self.code = opcode.code
        self.name = opcode.mnemonic
        self.mode = opcode.mode
        self.cmos = cmos
        self.spare_reads_operand = spare_reads_operand

    def body(self) -> str:
        """Body of the function."""
        name = self.name
        special = getattr(self, f"_{name.lower()}", None)
        if special is not None:
            return str(special())
        if name[:3] in ("BBR", "BBS"):
            return self._branch_on_bit()
        if name in ops.BRANCH:
            return f"offset = cpu.operand()\nif {ops.BRANCH[name]}:\n    cpu.take_branch(offset)"
        if name in ops.PUSH:
            return f"cpu.dummy(cpu.pc)\ncpu.push({ops.PUSH[name]})"
        if name in ops.PULL:
            return f"cpu.dummy(cpu.pc)\n{_AT_STACK}\nm = cpu.pull()\n{ops.PULL[name]}"
        if name in ops.UNSTABLE_STORE:
            return self._unstable_store()
        if name in ops.STORE:
            return f"{self._address('store')}\ncpu.write_cycle(at, {ops.STORE[name]})"
        if name in ops.MODIFY:
            return self._modify()
        if self.mode == "imp":
            return f"cpu.dummy(cpu.pc)\n{ops.IMPLIED[name]}"
        return self._read()

    def _address(self, use: str) -> str:
        """Cycles up to the effective address `at`."""
        if self.mode in _ADDRESS:
            return _ADDRESS[self.mode]
        text = _POINTER[self.mode] + "\nat = base + low & 0xFFFF\n"
        if not self.cmos:  # the adder has not carried yet: the high byte is the base's
            spare = "cpu.dummy(base | low & 0xFF)"
            return text + (f"if low > 0xFF:\n    {spare}" if use == "read" else spare)
        if use == "read" or self.name in ops.SHIFTS:
            return text + f"if low > 0xFF:\n    {_LAST_BYTE}"
        if use == "store" and not self.spare_reads_operand:
            return text + f"if low > 0xFF:\n    {_LAST_BYTE}\nelse:\n    cpu.dummy(at)"
        return text + _LAST_BYTE

    def _read(self) -> str:
        immediate = self.mode == "imm"
        text = f"m = {_OPERAND}" if immediate else f"{self._address('read')}\nm = cpu.data(at)"
        if self.cmos and self.name in ("ADC", "SBC"):
            again = _LAST_BYTE if immediate else "cpu.dummy(at)"
            text += f"\nif cpu.d:\n    {again}"
        operation = ops.READ["BIT imm" if immediate and self.name == "BIT" else self.name]
        return f"{text}\n{operation.strip()}"

    def _modify(self) -> str:
        operation = ops.MODIFY[self.name].strip()
        if self.mode == "acc":
            return f"cpu.dummy(cpu.pc)\nm = cpu.a\n{operation}\ncpu.a = m"
        middle = "cpu.dummy(at)" if self.cmos else "cpu.write_cycle(at, m)"
        return f"{self._address('modify')}\nm = cpu.data(at)\n{middle}\n{operation}\ncpu.write_cycle(at, m)"

    def _unstable_store(self) -> str:
        """Intended: register AND (high byte + 1). The AND falls away when RDY stalled the cycle before the write.

        When the index crossed a page the stored byte also stands on the high address lines (groepaz, SHA SHX SHY TAS).
        """
        return (
            f"{_POINTER[self.mode]}\ncpu.dummy(base | low & 0xFF)\n{ops.UNSTABLE_STORE[self.name]}\n"
            "if not cpu.last_cycle_stalled:\n    m &= (base >> 8) + 1\n"
            "cpu.write_cycle(base | low if low < 0x100 else m << 8 | low & 0xFF, m)"
        )

    def _branch_on_bit(self) -> str:
        bit = 1 << int(self.name[3])
        taken = f"m & {bit}" if self.name[2] == "S" else f"not m & {bit}"
        return (
            f"z = cpu.operand()\nm = cpu.data(z)\ncpu.dummy(z)\noffset = cpu.operand()\n"
            f"if {taken}:\n    cpu.take_branch_on_bit(offset)"
        )

    def _nop(self) -> str:
        if not self.cmos:
            return "cpu.dummy(cpu.pc)" if self.mode == "imp" else self._read()
        if self.code & 0x03 == 0x03:
            return "cpu.polls = ()"  # one cycle: no interrupt is recognised in it (from memory)
        if self.mode == "imp":
            return "cpu.dummy(cpu.pc)"
        if self.code == 0x5C:  # 8 cycles: W65C02S data sheet, table 7-1; addresses of the last five from memory
            return "low = cpu.operand()\ncpu.operand()\ncpu.dummy(0xFF00 | low)\n" + "\n".join(
                ["cpu.dummy(0xFFFF)"] * 4
            )
        if self.mode == "absx":
            return f"cpu.operand()\ncpu.operand()\n{_LAST_BYTE}"
        if self.mode == "imm":
            return _OPERAND
        return f"{_ADDRESS[self.mode]}\ncpu.data(at)"

    def _jmp(self) -> str:
        text = "low = cpu.operand()\nat = cpu.operand() << 8 | low\n"
        if self.mode == "abs":
            return text + "cpu.pc = at"
        wrapped = "at & 0xFF00 | at + 1 & 0xFF"
        if self.mode == "ind" and not self.cmos:
            return text + f"low = cpu.data(at)\ncpu.pc = cpu.data({wrapped}) << 8 | low"
        if self.mode == "ind":
            text += f"low = cpu.data(at)\ncpu.dummy({wrapped})\n"
        else:
            text += "cpu.dummy(cpu.pc - 2 & 0xFFFF)\nat = at + cpu.x & 0xFFFF\nlow = cpu.data(at)\n"
        return text + "cpu.pc = cpu.data(at + 1 & 0xFFFF) << 8 | low"

    def _jsr(self) -> str:
        return (
            f"low = cpu.operand()\n{_AT_STACK}\ncpu.push(cpu.pc >> 8)\ncpu.push(cpu.pc & 0xFF)\n"
            "cpu.pc = cpu.data(cpu.pc) << 8 | low"
        )

    def _rts(self) -> str:
        return (
            f"cpu.dummy(cpu.pc)\n{_AT_STACK}\nlow = cpu.pull()\nat = cpu.pull() << 8 | low\n"
            "cpu.dummy(at)\ncpu.pc = at + 1 & 0xFFFF"
        )

    def _rti(self) -> str:
        return (
            f"cpu.dummy(cpu.pc)\n{_AT_STACK}\ncpu.p = cpu.pull()\ncpu.masked = cpu.i\n"  # P acts on this very decision
            "low = cpu.pull()\ncpu.pc = cpu.pull() << 8 | low"
        )

    def _brk(self) -> str:
        return "cpu.dummy(cpu.pc)\ncpu.pc = cpu.pc + 1 & 0xFFFF\ncpu.enter_handler(0x30)"

    def _wai(self) -> str:
        return "cpu.dummy(cpu.pc)\ncpu.dummy(cpu.pc)\ncpu.waiting = True"

    def _stp(self) -> str:
        return "cpu.dummy(cpu.pc)\ncpu.dummy(cpu.pc)\ncpu.stop()"

    def _jam(self) -> str:
        return f"cpu.dummy(cpu.pc)\ncpu.dummy(cpu.pc)\ncpu.jam({self.code})"
