"""What an instruction does, as Python text: registers are local variables, flags are expressions until needed."""

from __future__ import annotations

from simkit.cpu.isa import operations as ops
from simkit.cpu.translate import costs
from simkit.cpu.translate.flow import Block
from simkit.cpu.translate.operand import Lines, Operands, entry_number
from simkit.cpu.translate.region import Key, Node, Reach
from simkit.cpu.translate.values import KEPT, ONE, ZERO, Flag, Knowledge, negative, zero

_TRANSFER = {
    "TAX": ("x", "a"),
    "TAY": ("y", "a"),
    "TXA": ("a", "x"),
    "TYA": ("a", "y"),
    "TSX": ("x", "s"),
    "TXS": ("s", "x"),
}
_STEP = {"INX": ("x", "+"), "INY": ("y", "+"), "DEX": ("x", "-"), "DEY": ("y", "-")}
_LOAD = {"LDA": "a", "LDX": "x", "LDY": "y"}
_LOGIC = {"ORA": "|", "AND": "&", "EOR": "^"}
_COMPARE = {"CMP": "a", "CPX": "x", "CPY": "y"}
_STORE = {"STA": "a", "STX": "x", "STY": "y", "STZ": "0"}
_PUSH = {"PHA": "a", "PHX": "x", "PHY": "y"}
_PULL = {"PLA": "a", "PLX": "x", "PLY": "y"}
_BRANCH = {"BPL": "n", "BMI": "n", "BVC": "v", "BVS": "v", "BCC": "c", "BCS": "c", "BNE": "z", "BEQ": "z"}
_ON_SET = ("BMI", "BVS", "BCS", "BEQ")


class Emitter(Operands):
    """Texts of instructions. The statements of one instruction are appended to `out`; `know` moves past it."""

    def instruction(self, block: Block, index: int, know: Knowledge, out: Lines) -> None:
        """An instruction that goes on to the next one, or a jump, call or known return (without the going)."""
        node = block.nodes[index]
        self._needed = block.live_after[index]
        self._sets = costs.flags_set(node.opcode)
        opcode = node.opcode
        name = opcode.mnemonic
        if node.reach is Reach.CARD:
            self._card(node, know, out)
            return
        if name == "BRA":
            self._taken(node, know)
            return
        if costs.is_read(opcode):
            self._read(node, self.read(node, know, out), know, out)
        elif costs.is_store(opcode):
            self.store(node, _STORE[name], know, out)
            know.last = _STORE[name]
        elif costs.is_modify(opcode):
            self._modify(node, know, out)
        elif opcode.mode == "acc":
            self._accumulator(node, know, out)
        elif name in ("JMP", "JSR", "RTS"):
            self._go(node, know, out)
        elif name in ops.PUSH or name in ops.PULL:
            self._on_stack(node, know, out)
        else:
            self._implied(node, know, out)
        know.cycles += costs.fixed_cycles(opcode, self.cmos, node.key.decimal)

    def branch(self, node: Node, know: Knowledge, out: Lines) -> tuple[str, str, Knowledge, Knowledge]:
        """A branch: conditions for taken and not taken, and what is known on either way."""
        name = node.opcode.mnemonic
        if node.opcode.mode == "zprel":
            bit = f"{self._direct(node, out, for_write=False)} & 0x{1 << int(name[3]):02X}"
            taken, stays = (bit, f"not {bit}") if name[2] == "S" else (f"not {bit}", bit)
        else:
            flag = know.flags[_BRANCH[name]]
            taken, stays = (flag.is_set, flag.is_clear) if name in _ON_SET else (flag.is_clear, flag.is_set)
        gone, stayed = know, know.copy()
        stayed.cycles += costs.fixed_cycles(node.opcode, self.cmos, node.key.decimal)
        stayed.last = f"0x{node.operand >> 8 * (node.opcode.length - 2) & 0xFF:02X}"
        self._taken(node, gone)
        return taken, stays, gone, stayed

    def _taken(self, node: Node, know: Knowledge) -> None:
        """Cycles and last byte of a branch that is taken."""
        assert node.taken is not None
        more = costs.taken_cycles(node.after, node.taken.address)
        know.cycles += costs.fixed_cycles(node.opcode, self.cmos, node.key.decimal) + more
        spare = node.after  # the byte behind the branch; then, over a page, the right place in the wrong page
        if more == 2 and node.opcode.mode == "rel":
            spare = node.after & 0xFF00 | node.taken.address & 0xFF
        know.last = self.fixed(spare)

    def computed(self, node: Node, know: Knowledge, out: Lines) -> None:
        """RTI, PLP, RTS or JMP to where only the program knows: ends the function."""
        name, key = node.opcode.mnemonic, node.key
        d = "0x10000 | " if key.decimal else ""
        if name == "PLP" or name == "RTI":
            self._pull_flags(node, know, out)
            return
        if name == "RTS":
            low, high, at = self.fresh(), self.fresh(), self.fresh()
            out += [
                f"{high} = {self.stack('(s + 2 & 0xFF)')}",
                f"{low} = {self.stack('(s + 1 & 0xFF)')}",
                f"{at} = rd[{high}]",
                f"if {at} is None:",
                f"    {self.leave(key, know)}",
                "s = s + 2 & 0xFF",
            ]
            know.last = f"{at}[{low}]"
            where = f"{d}({high} << 8 | {low}) + 1 & 0xFFFF"
        elif node.opcode.mode == "abs":
            low, high = self.operand_byte(node, 1), self.operand_byte(node, 2)
            know.last = high
            where = f"{d}{high} << 8 | {low}"
        else:
            beyond = node.operand + 1 if self.cmos else node.operand & 0xFF00 | node.operand + 1 & 0xFF
            know.last = self.fixed(beyond)
            where = f"{d}{self.fixed(beyond)} << 8 | {self.fixed(node.operand)}"
        know.cycles += costs.fixed_cycles(node.opcode, self.cmos, key.decimal)
        out.append(self.leave_for(where, know))

    # registers and flags --------------------------------------------------------------------------------------------

    def _set(self, register: str, text: str, know: Knowledge, out: Lines) -> None:
        """Give a register a new value; flags that stand on its old one are worked out first."""
        for flag in "nzcv":
            standing = know.flags[flag]
            if register in standing.needs:
                if flag in self._needed and flag not in self._sets:
                    out += know.settle_flags([flag])
                else:
                    know.flags[flag] = KEPT[flag]
        if know.last == register:
            know.last = "last"  # nobody asks any more: each instruction has its own
        if text != register:
            out.append(f"{register} = {text}")

    @staticmethod
    def _by_value(know: Knowledge, text: str, register: str = "") -> None:
        know.flags["n"] = negative(text, register)
        know.flags["z"] = zero(text, register)

    def _named(self, text: str, out: Lines) -> str:
        """The value under a name that nothing changes any more: a number as it is, anything else in a new variable."""
        if text.startswith("0x") or (text[0] == "t" and text[1:].isdigit()):
            return text
        name = self.fresh()
        out.append(f"{name} = {text}")
        return name

    # families -------------------------------------------------------------------------------------------------------

    def _read(self, node: Node, byte: str, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        if name in _LOAD:
            register = _LOAD[name]
            self._set(register, byte, know, out)
            self._by_value(know, register, register)
            know.last = register
            return
        if name in _LOGIC:
            byte = self._named(byte, out) if "l" in self._needed else byte
            self._set("a", f"a {_LOGIC[name]} {byte}", know, out)
            self._by_value(know, "a", "a")
        elif name in _COMPARE:
            byte = self._named(byte, out)
            register = _COMPARE[name]
            difference = f"({register} - {byte} & 0xFF)"
            needs = frozenset(register)
            know.flags["n"] = Flag(difference, f"{register} - {byte} & 0x80", f"not {register} - {byte} & 0x80", needs)
            know.flags["z"] = Flag(difference, f"{register} == {byte}", f"{register} != {byte}", needs)
            know.flags["c"] = Flag(f"({register} >= {byte})", f"{register} >= {byte}", f"{register} < {byte}", needs)
        elif name == "BIT":
            byte = self._named(byte, out)
            know.flags["z"] = Flag(f"(a & {byte})", f"not a & {byte}", f"a & {byte}", frozenset("a"))
            if node.opcode.mode != "imm":
                know.flags["n"] = negative(byte)
                know.flags["v"] = Flag(f"({byte} & 0x40)", f"{byte} & 0x40", f"not {byte} & 0x40")
        else:
            byte = self._named(byte, out)
            self._add(node, byte, know, out)
        know.last = byte

    def _add(self, node: Node, byte: str, know: Knowledge, out: Lines) -> None:
        adds = node.opcode.mnemonic == "ADC"
        carry = know.flags["c"]
        if node.key.decimal:
            table = "added" if adds else "subtracted"
            text = f"{table}[{carry.value} << 16 | a << 8 | {byte}]"
            self._set("a", "a", know, out)
            out.append(f"a, n, z, c, v = {text}")
            know.flags = dict(KEPT)
            return
        old, sum_ = "a", self.fresh()
        if "v" in self._needed:
            old = self.fresh()
            out.append(f"{old} = a")
        if carry is ZERO:
            text = f"a + {byte}" if adds else f"a - {byte} - 1"
        elif carry is ONE:
            text = f"a + {byte} + 1" if adds else f"a - {byte}"
        else:
            text = f"a + {byte} + {carry.value}" if adds else f"a - {byte} - 1 + {carry.value}"
        out.append(f"{sum_} = {text}")
        self._set("a", f"{sum_} & 0xFF", know, out)
        self._by_value(know, "a", "a")
        if adds:
            know.flags["c"] = Flag(f"({sum_} >> 8)", f"{sum_} > 255", f"{sum_} < 256")
            v = f"({old} ^ {sum_}) & ({byte} ^ {sum_}) & 0x80"
        else:
            know.flags["c"] = Flag(f"({sum_} >= 0)", f"{sum_} >= 0", f"{sum_} < 0")
            v = f"({old} ^ {byte}) & ({old} ^ {sum_}) & 0x80"
        know.flags["v"] = Flag(f"({v})", v, f"not {v}") if old != "a" else KEPT["v"]

    def _changed(self, name: str, old: str, know: Knowledge) -> str:
        """Text of what a shift, INC or DEC makes of a byte; sets the carry."""
        carry = know.flags["c"].value
        if name == "INC":
            return f"{old} + 1 & 0xFF"
        if name == "DEC":
            return f"{old} - 1 & 0xFF"
        text = {
            "ASL": f"{old} << 1 & 0xFF",
            "LSR": f"{old} >> 1",
            "ROL": f"({old} << 1 | {carry}) & 0xFF",
            "ROR": f"{old} >> 1 | {carry} << 7",
        }[name]
        if name in ("ASL", "ROL"):
            know.flags["c"] = Flag(f"({old} >> 7)", f"{old} > 127", f"{old} < 128")
        else:
            know.flags["c"] = Flag(f"({old} & 1)", f"{old} & 1", f"not {old} & 1")
        return text

    def _accumulator(self, node: Node, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        old = "a"
        if name in costs.SHIFTS and "c" in self._needed:
            old = self.fresh()
            out.append(f"{old} = a")
        text = self._changed(name, old, know)
        if name in costs.SHIFTS and old == "a":
            know.flags["c"] = KEPT["c"]
        self._set("a", text, know, out)
        self._by_value(know, "a", "a")
        know.last = self.fixed(node.after)

    def _modify(self, node: Node, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        byte = self.both(node, out)
        new = self.fresh()
        if name in ("INC", "DEC"):
            out.append(f"{byte} = {new} = {self._changed(name, byte, know)}")
        else:
            old = self._named(byte, out)
            if name in ("TSB", "TRB"):
                know.flags["z"] = Flag(f"(a & {old})", f"not a & {old}", f"a & {old}", frozenset("a"))
                text = f"{old} | a" if name == "TSB" else f"{old} & ~a"
            elif name[:3] == "RMB":
                text = f"{old} & 0x{0xFF ^ 1 << int(name[3]):02X}"
            elif name[:3] == "SMB":
                text = f"{old} | 0x{1 << int(name[3]):02X}"
            else:
                text = self._changed(name, old, know)
            out.append(f"{byte} = {new} = {text}")
        if name[:3] not in ("TSB", "TRB", "RMB", "SMB"):
            self._by_value(know, new)
        know.last = new

    def _implied(self, node: Node, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        if name == "CLI":
            out += ["if not irq.level:", f"    {self.leave(node.key, know)}", "cpu.i = 0"]
        elif name == "SEI":
            out.append("cpu.i = 1")
        elif name in _TRANSFER:
            to, source = _TRANSFER[name]
            self._set(to, source, know, out)
            if name != "TXS":
                self._by_value(know, to, to)
        elif name in _STEP:
            register, sign = _STEP[name]
            self._set(register, f"{register} {sign} 1 & 0xFF", know, out)
            self._by_value(know, register, register)
        elif name in ("CLC", "SEC"):
            know.flags["c"] = ZERO if name == "CLC" else ONE
        elif name == "CLV":
            know.flags["v"] = ZERO
        know.last = self.fixed(node.after)

    # stack ----------------------------------------------------------------------------------------------------------

    def _on_stack(self, node: Node, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        if name in _PULL:
            register = _PULL[name]
            self._set("s", "s + 1 & 0xFF", know, out)
            self._set(register, self.stack("s"), know, out)
            self._by_value(know, register, register)
            know.last = register
            return
        if name == "PHP":
            flags = know.flags
            byte = self.fresh()
            bits = [
                f"(0x80 if {flags['n'].is_set} else 0)",
                f"(0x40 if {flags['v'].is_set} else 0)",
                "0x38" if node.key.decimal else "0x30",
                "(4 if cpu.i else 0)",
                f"(2 if {flags['z'].is_set} else 0)",
                flags["c"].value,
            ]
            out.append(f"{byte} = {' | '.join(bits)}")
        else:
            byte = _PUSH[name]
        out.append(f"{self.stack('s')} = {byte}")
        self._set("s", "s - 1 & 0xFF", know, out)
        know.last = byte

    def _go(self, node: Node, know: Knowledge, out: Lines) -> None:
        name = node.opcode.mnemonic
        if name == "JMP":
            know.last = f"0x{node.operand >> 8:02X}"
        elif name == "JSR":
            back = node.address + 2
            out.append(f"{self.stack('s')} = 0x{back >> 8:02X}")
            out.append(f"{self.stack('(s - 1 & 0xFF)')} = 0x{back & 0xFF:02X}")
            self._set("s", "s - 2 & 0xFF", know, out)
            know.last = f"0x{node.operand >> 8:02X}"
        else:
            assert node.taken is not None
            back = node.taken.address - 1 & 0xFFFF
            low, high = self.stack("(s + 1 & 0xFF)"), self.stack("(s + 2 & 0xFF)")
            out.append(f"if {low} != 0x{back & 0xFF:02X} or {high} != 0x{back >> 8:02X}:")
            out.append(f"    {self.leave(node.key, know)}")
            self._set("s", "s + 2 & 0xFF", know, out)
            know.last = self.fixed(back)

    def _pull_flags(self, node: Node, know: Knowledge, out: Lines) -> None:
        p = self.fresh()
        out += ["if not irq.level:", f"    {self.leave(node.key, know)}"]
        out += ["s = s + 1 & 0xFF", f"{p} = {self.stack('s')}", f"cpu.i = {p} & 0x04"]
        know.flags = {
            "n": Flag(p, "", ""),
            "z": Flag(f"~{p} & 0x02", "", ""),
            "c": Flag(f"{p} & 0x01", "", ""),
            "v": Flag(f"{p} & 0x40", "", ""),
        }
        know.last = p
        know.cycles += costs.fixed_cycles(node.opcode, self.cmos, node.key.decimal)
        where = f"0x{node.after:04X} | ({p} & 0x08) << 13"
        if node.opcode.mnemonic == "RTI":
            high = self.fresh()
            out += [f"{high} = {self.stack('(s + 2 & 0xFF)')}"]
            where = f"{self.stack('(s + 1 & 0xFF)')} | {high} << 8 | ({p} & 0x08) << 13"
            know.last = high
            address = self.fresh()
            out += [f"{address} = {where}", "s = s + 2 & 0xFF"]
            where = address
        out.append(self.leave_for(where, know))

    # cards ----------------------------------------------------------------------------------------------------------

    def _card(self, node: Node, know: Knowledge, out: Lines) -> None:
        """An access in the last of four cycles; then a look at what the card may have moved."""
        name = node.opcode.mnemonic
        last = f"0x{node.operand >> 8:02X}"  # the byte of the cycle before: the operand's high byte
        failing = know.copy()
        failing.cycles += 3
        failing.last = last
        state = self.leave_for(f"0x{entry_number(Key(node.after, node.key.decimal)):04X}", failing).removeprefix(
            "return "
        )
        out += [f"cpu.last = {last}", "try:"]
        if costs.is_store(node.opcode):
            out.append(f"    bus_write(0x{node.operand:04X}, {_STORE[name]}, {know.now(3)}, DATA)")
            byte = _STORE[name]
        else:
            byte = self.fresh()
            out.append(f"    {byte} = bus_read(0x{node.operand:04X}, {know.now(3)}, DATA)")
        out += ["except BaseException:", f"    keep(cpu, {state})", "    raise"]
        if costs.is_store(node.opcode):
            know.last = byte
        else:
            self._read(node, byte, know, out)
        know.cycles += 4
        assert node.fall is not None
        out += ["if cpu.attention or cpu.horizon < limit:", f"    {self.leave(node.fall, know)}"]
