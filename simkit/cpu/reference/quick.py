"""Bodies of the quick functions: a whole instruction on plain memory (compiled.py tells when they are used).

Every body first finds the pages its cycles touch, dummy cycles included, and gives True when one is not plain; only
then does it change anything, in the order of the real cycles where the order can matter (code in the stack page).
`page[here]` is the opcode; here is at most 252, so all bytes of the instruction and the one after it lie in the page.
CLI, PLP and RTI are left to the careful function while IRQ is low, and so is everything rare.
"""

from __future__ import annotations

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import Opcode

LEAVE = "return True"

_UNLESS_IRQ = "if not cpu.irq_line.level:\n    return True\n"
_ZERO = "zero = cpu.rd[0]\nif zero is None:\n    return True\n"
_OPERAND = "page[here + 1]"

_INDEXED = {  # low byte after indexing and high byte before the carry
    "absx": f"low = {_OPERAND} + cpu.x\nhigh = page[here + 2]\n",
    "absy": f"low = {_OPERAND} + cpu.y\nhigh = page[here + 2]\n",
    "indy": _ZERO + f"z = {_OPERAND}\nlow = zero[z] + cpu.y\nhigh = zero[z + 1 & 0xFF]\n",
}
_FIXED = {  # low and high byte of the effective address
    "zp": f"low = {_OPERAND}\n",
    "zpx": f"low = {_OPERAND} + cpu.x & 0xFF\n",
    "zpy": f"low = {_OPERAND} + cpu.y & 0xFF\n",
    "abs": f"low = {_OPERAND}\nhigh = page[here + 2]\n",
    "izp": _ZERO + f"z = {_OPERAND}\nlow = zero[z]\nhigh = zero[z + 1 & 0xFF]\n",
    "indx": _ZERO + f"z = {_OPERAND} + cpu.x & 0xFF\nlow = zero[z]\nhigh = zero[z + 1 & 0xFF]\n",
}
_ACCESS_CYCLES = {"zp": 3, "zpx": 4, "zpy": 4, "abs": 4, "izp": 5, "indx": 6, "absx": 4, "absy": 4, "indy": 5}


def quick_body(opcode: Opcode, cmos: bool, spare_reads_operand: bool) -> str:
    """Body of `quick_XX(cpu, page, here)`."""
    name, mode = opcode.mnemonic, opcode.mode
    if not opcode.documented:
        return LEAVE
    if name in _ALONE:
        return _ALONE[name]
    if name == "JMP":
        return _jump(mode, cmos)
    if name[:3] in ("BBR", "BBS"):
        return _branch_on_bit(name)
    if name in ops.BRANCH:
        return _branch(ops.BRANCH[name])
    if name in ops.PUSH:
        return (
            "stack = cpu.wr[1]\nif stack is None:\n    return True\n"
            f"stack[cpu.sp] = cpu.last = {ops.PUSH[name]}\ncpu.sp = cpu.sp - 1 & 0xFF\n" + _done(1, "3")
        )
    if name in ops.PULL:
        return (
            (_UNLESS_IRQ if name == "PLP" else "")
            + "stack = cpu.rd[1]\nif stack is None:\n    return True\n"
            + f"sp = cpu.sp = cpu.sp + 1 & 0xFF\ncpu.last = m = stack[sp]\n{ops.PULL[name]}\n"
            + _done(1, "4")
        )
    if mode == "imp" and name in ops.IMPLIED:
        guard = _UNLESS_IRQ if name == "CLI" else ""
        return f"{guard}cpu.last = {_OPERAND}\n{ops.IMPLIED[name]}\n" + _done(1, "2")
    if mode == "acc":
        return f"cpu.last = {_OPERAND}\nm = cpu.a\n{ops.MODIFY[name]}\ncpu.a = m\n" + _done(1, "2")
    if name in ops.STORE:
        return _store(opcode, cmos, spare_reads_operand)
    if name in ops.MODIFY:
        return _modify(opcode, cmos)
    if name in ops.READ:
        return _read(opcode, cmos)
    return LEAVE


def _done(length: int, cycles: str) -> str:
    return f"cpu.pc += {length}\ncpu.cycle += {cycles}"


def _none(*pages: str) -> str:
    return f"if {' or '.join(pages)}:\n    return True\n"


def _read(opcode: Opcode, cmos: bool) -> str:
    name, mode = opcode.mnemonic, opcode.mode
    operation = ops.BINARY.get(name, ops.READ["BIT imm" if mode == "imm" and name == "BIT" else name]).strip()
    guard = "if cpu.d:\n    return True\n" if name in ops.BINARY else ""
    if mode == "imm":
        return f"{guard}cpu.last = m = {_OPERAND}\n{operation}\n" + _done(2, "2")
    length, cycles = opcode.length, str(_ACCESS_CYCLES[mode])
    if mode in _INDEXED:
        dummy = () if cmos else ("low > 0xFF and cpu.rd[high] is None",)
        text = _INDEXED[mode] + "data = cpu.rd[high + (low >> 8) & 0xFF]\n" + _none("data is None", *dummy)
        return f"{guard}{text}cpu.last = m = data[low & 0xFF]\n{operation}\n" + _done(length, f"{cycles} + (low >> 8)")
    text = _FIXED[mode] + f"data = cpu.rd[{_high(mode)}]\n" + _none("data is None")
    return f"{guard}{text}cpu.last = m = data[low]\n{operation}\n" + _done(length, cycles)


def _high(mode: str) -> str:
    return "0" if mode in ("zp", "zpx", "zpy") else "high"


def _store(opcode: Opcode, cmos: bool, spare_reads_operand: bool) -> str:
    mode, length, cycles = opcode.mode, opcode.length, _ACCESS_CYCLES[opcode.mode]
    value = ops.STORE[opcode.mnemonic]
    if mode in _INDEXED:
        target = "high + (low >> 8) & 0xFF"
        if not cmos:
            dummy: tuple[str, ...] = ("cpu.rd[high] is None",)
        elif spare_reads_operand:
            dummy = ()
        else:
            dummy = (f"cpu.rd[{target}] is None",)
        text = _INDEXED[mode] + f"data = cpu.wr[{target}]\n" + _none("data is None", *dummy)
        return f"{text}data[low & 0xFF] = cpu.last = {value}\n" + _done(length, str(cycles + 1))
    dummy = ("cpu.rd[0] is None",) if mode in ("zpx", "zpy") else ()
    text = _FIXED[mode] + f"data = cpu.wr[{_high(mode)}]\n" + _none("data is None", *dummy)
    return f"{text}data[low] = cpu.last = {value}\n" + _done(length, str(cycles))


def _modify(opcode: Opcode, cmos: bool) -> str:
    mode, cycles = opcode.mode, str(_ACCESS_CYCLES[opcode.mode] + 2)
    address, high, low, dummy = _FIXED.get(mode, ""), _high(mode), "low", ""
    if mode == "absx":
        address, high, low = _INDEXED[mode], "high + (low >> 8) & 0xFF", "low & 0xFF"
        cycles = f"{cycles} + (low >> 8)" if cmos and opcode.mnemonic not in ("INC", "DEC") else "7"
        dummy = "" if cmos else _none("cpu.rd[high] is None")
    return (
        f"{address}{dummy}at = {high}\ndata = cpu.rd[at]\nto = cpu.wr[at]\n"
        + _none("data is None", "to is None")
        + f"m = data[{low}]\n{ops.MODIFY[opcode.mnemonic].strip()}\nto[{low}] = cpu.last = m\n"
        + _done(opcode.length, cycles)
    )


def _branch(condition: str) -> str:
    return f"""
if {condition}:
    offset = ({_OPERAND} ^ 0x80) - 0x7E
    to = here + offset
    if to >> 8:
        cpu.last = page[to & 0xFF]
        cpu.pc = cpu.pc + offset & 0xFFFF
        cpu.cycle += 4
    else:
        cpu.last = page[here + 2]
        cpu.pc += offset
        cpu.cycle += 3
else:
    cpu.last = {_OPERAND}
    cpu.pc += 2
    cpu.cycle += 2
"""


def _branch_on_bit(name: str) -> str:
    taken = ("" if name[2] == "S" else "not ") + f"m & {1 << int(name[3])}"
    return f"""
{_ZERO}m = zero[{_OPERAND}]
if {taken}:
    offset = (page[here + 2] ^ 0x80) - 0x7D
    cpu.last = page[here + 3]
    cpu.pc = cpu.pc + offset & 0xFFFF
    cpu.cycle += 7 if here + offset >> 8 else 6
else:
    cpu.last = page[here + 2]
    cpu.pc += 3
    cpu.cycle += 5
"""


def _jump(mode: str, cmos: bool) -> str:
    low, high = _OPERAND, "page[here + 2]"
    if mode == "abs":
        return f"high = cpu.last = {high}\ncpu.pc = high << 8 | {low}\ncpu.cycle += 3"
    if mode == "ind" and not cmos:
        return (
            f"data = cpu.rd[{high}]\n" + _none("data is None") + f"low = {low}\n"
            "high = cpu.last = data[low + 1 & 0xFF]\ncpu.pc = high << 8 | data[low]\ncpu.cycle += 5"
        )
    index = "" if mode == "ind" else " + cpu.x"
    return (
        f"at = ({high} << 8 | {low}){index} & 0xFFFF\nafter = at + 1 & 0xFFFF\n"
        "data = cpu.rd[at >> 8]\nbeyond = cpu.rd[after >> 8]\n"
        + _none("data is None", "beyond is None")
        + "high = cpu.last = beyond[after & 0xFF]\ncpu.pc = high << 8 | data[at & 0xFF]\ncpu.cycle += 6"
    )


_CALL = f"""
stack = cpu.wr[1]
if stack is None or cpu.rd[1] is None:
    return True
low = {_OPERAND}
back = cpu.pc + 2
sp = cpu.sp
stack[sp] = back >> 8
sp = sp - 1 & 0xFF
stack[sp] = back & 0xFF
cpu.sp = sp - 1 & 0xFF
high = cpu.last = page[here + 2]
cpu.pc = high << 8 | low
cpu.cycle += 6
"""

_RETURN = """
stack = cpu.rd[1]
if stack is None:
    return True
sp = cpu.sp + 2 & 0xFF
high = stack[sp]
low = stack[sp - 1 & 0xFF]
data = cpu.rd[high]
if data is None:
    return True
cpu.sp = sp
cpu.last = data[low]
cpu.pc = (high << 8 | low) + 1 & 0xFFFF
cpu.cycle += 6
"""

_RETURN_FROM_INTERRUPT = (
    _UNLESS_IRQ
    + """
stack = cpu.rd[1]
if stack is None:
    return True
sp = cpu.sp
cpu.p = stack[sp + 1 & 0xFF]
cpu.sp = sp + 3 & 0xFF
high = cpu.last = stack[cpu.sp]
cpu.pc = high << 8 | stack[sp + 2 & 0xFF]
cpu.cycle += 6
"""
)

_ALONE = {
    "JSR": _CALL,
    "RTS": _RETURN,
    "RTI": _RETURN_FROM_INTERRUPT,
    "BRK": LEAVE,
    "WAI": LEAVE,
    "STP": LEAVE,
    "NOP": f"cpu.last = {_OPERAND}\n" + _done(1, "2"),
}
