"""How an instruction finds its byte: the text that reads or stores it, for each addressing mode.

Dummy reads on plain memory change nothing and are not made; what matters is that they do not hit a card. Where they
could, the address is guarded: looked up in the page tables; when a page is not plain the instruction is left to exact.
"""

from __future__ import annotations

from simkit.cpu.translate import costs
from simkit.cpu.translate.memory_map import Place, Span
from simkit.cpu.translate.region import Key, Node, Reach, Region, Survey
from simkit.cpu.translate.values import Knowledge

Lines = list[str]

DECIMAL_KEY = 0x1_0000
"""Added to an address to name the function that begins there with D set."""


def entry_number(key: Key) -> int:
    """Number of an entry: address, and DECIMAL_KEY when D is set."""
    return key.address | (DECIMAL_KEY if key.decimal else 0)


class Operands:
    """Texts of addresses and bytes.

    Attributes:
        region: what is being written.
        survey: the memory.
    """

    def __init__(self, region: Region, survey: Survey) -> None:
        self.region = region
        self.survey = survey
        self.memory = survey.memory
        self.cmos = survey.cmos
        self._temporaries = 0

    def fresh(self) -> str:
        """A new name."""
        self._temporaries += 1
        return f"t{self._temporaries}"

    def leave(self, key: Key, know: Knowledge) -> str:
        """Statement that ends the function before the instruction `key`."""
        return self.leave_for(f"0x{entry_number(key):04X}", know)

    @staticmethod
    def leave_for(where: str, know: Knowledge) -> str:
        """Statement that ends the function; `where` is the text of an entry number."""
        flags = know.flags
        texts = ", ".join(flags[name].value for name in "nzcv")
        return f"return {where}, a, x, y, s, {texts}, {know.now()}, {know.last}"

    # places ---------------------------------------------------------------------------------------------------------

    @staticmethod
    def at(place: Place, index: str = "") -> str:
        """Text of a byte; `index` is added to its place."""
        if not index:
            return f"m{place.buffer}[0x{place.index:04X}]"
        return f"m{place.buffer}[0x{place.index:04X} + {index}]" if place.index else f"m{place.buffer}[{index}]"

    def fixed(self, address: int) -> str:
        """Text of the byte at an address of plain memory."""
        place = self.memory.place(address)
        assert place is not None
        return self.at(place)

    def operand_byte(self, node: Node, number: int) -> str:
        """Text of operand byte 1 or 2: a number, or the memory it stands in when the program overwrites it."""
        address = node.address + number
        if address in node.soft:
            return self.fixed(address)
        return f"0x{node.operand >> 8 * (number - 1) & 0xFF:02X}"

    def zero_page(self, index: str) -> str:
        """Text of a byte of page 0."""
        place = self.memory.place(0)
        assert place is not None
        return self.at(place, index)

    def stack(self, index: str) -> str:
        """Text of a byte of page 1."""
        place = self.memory.place(0x100)
        assert place is not None
        return self.at(place, index)

    # bytes ----------------------------------------------------------------------------------------------------------

    def read(self, node: Node, know: Knowledge, out: Lines) -> str:
        """Text of the byte that is read; statements for its address go to `out`."""
        mode = node.opcode.mode
        if mode == "imm":
            return self.operand_byte(node, 1)
        if node.reach is Reach.GUARDED:
            return self._guarded_read(node, know, out)
        return self._direct(node, out, for_write=False)

    def store(self, node: Node, value: str, know: Knowledge, out: Lines) -> None:
        """Statements that store `value`."""
        if node.reach is Reach.GUARDED:
            self._guarded_store(node, value, know, out)
        else:
            out.append(f"{self._direct(node, out, for_write=True)} = {value}")

    def both(self, node: Node, out: Lines) -> str:
        """Text of a byte that is read and then stored; its index is worked out once."""
        text = self._direct(node, out, for_write=True)
        if node.opcode.mode in ("zpx", "absx"):
            name = self.fresh()
            buffer, _, index = text.partition("[")
            out.append(f"{name} = {index[:-1]}")
            return f"{buffer}[{name}]"
        return text

    def _direct(self, node: Node, out: Lines, *, for_write: bool) -> str:
        mode = node.opcode.mode
        if mode in ("zp", "zprel"):
            return self.zero_page(self.operand_byte(node, 1)) if node.soft else self.fixed(node.operand & 0xFF)
        if mode in ("zpx", "zpy"):
            return self.zero_page(f"({self.operand_byte(node, 1)} + {mode[2]} & 0xFF)")
        place = self.memory.place(node.operand, for_write=for_write)
        assert place is not None
        if mode == "abs":
            return self.at(place)
        index = mode[3]
        if costs.pays_crossing(node.opcode, self.cmos) and node.operand & 0xFF:
            out.append(f"cycle += 0x{node.operand & 0xFF:02X} + {index} >> 8")
        return self.at(place, index)

    # addresses found at run time ------------------------------------------------------------------------------------

    def _address(self, node: Node, out: Lines) -> tuple[str, str | None]:
        """Names of the address and, where a page can be crossed, of the low byte with the carry."""
        mode = node.opcode.mode
        address = self.fresh()
        if mode in ("indx", "izp"):
            pointer = self.operand_byte(node, 1)
            if mode == "indx" or node.soft:
                name = self.fresh()
                out.append(f"{name} = {pointer}{' + x & 0xFF' if mode == 'indx' else ''}")
                low, high = self.zero_page(name), self.zero_page(f"({name} + 1 & 0xFF)")
            else:
                low, high = self.fixed(node.operand), self.fixed(node.operand + 1 & 0xFF)
            out.append(f"{address} = {low} | {high} << 8")
            return address, None
        if mode == "abs":
            out.append(f"{address} = {self.operand_byte(node, 1)} | {self.operand_byte(node, 2)} << 8")
            return address, None
        sum_ = self.fresh()
        if mode == "indy":
            if node.soft:
                pointer = self.operand_byte(node, 1)
                low, high = self.zero_page(pointer), self.zero_page(f"({pointer} + 1 & 0xFF)")
            else:
                low, high = self.fixed(node.operand & 0xFF), self.fixed(node.operand + 1 & 0xFF)
            index = "y"
        else:
            low, high = self.operand_byte(node, 1), self.operand_byte(node, 2)
            index = mode[3]
        out.append(f"{sum_} = {low} + {index}")
        out.append(f"{address} = {sum_} + ({high} << 8)")
        return address, sum_

    def _likely(self, node: Node, *, for_write: bool) -> Span | None:
        """The stretch in which the address lies as things stand now, or the widest there is."""
        memory = self.memory
        mode = node.opcode.mode
        guess = node.operand & 0xFFFF
        if mode in ("indy", "izp") and not node.soft:
            low, high = memory.byte(node.operand & 0xFF), memory.byte(node.operand + 1 & 0xFF)
            guess = (low or 0) | (high or 0) << 8
        span = memory.span(guess, for_write=for_write)
        if span is not None:
            return span
        spans = {memory.span(page << 8, for_write=for_write) for page in range(256)}
        return max((span for span in spans if span is not None), key=lambda s: (s.high - s.low, s.low), default=None)

    def _inside(self, span: Span, address: str, crosses: bool, *, for_write: bool) -> str:
        """Condition under which all cycles of the instruction fall into the stretch."""
        low = span.low + 0x100 if crosses and not self.cmos and span.low else span.low  # the read before the carry
        text = f"0x{low:04X} <= {address} < 0x{span.high:04X}" if low else f"{address} < 0x{span.high:04X}"
        own = [place.index + span.base for place in self.region.code if place.buffer == span.buffer]
        if for_write and own and span.low <= max(own) and min(own) < span.high:
            text += f" and not 0x{min(own):04X} <= {address} <= 0x{max(own):04X}"
        return text

    def _look_up(
        self, node: Node, address: str, crosses: bool, know: Knowledge, *, for_write: bool
    ) -> tuple[str, Lines]:
        """Statements that look the page up or leave; the text of the byte."""
        page = self.fresh()
        lines = [f"{page} = {'wr' if for_write else 'rd'}[{address} >> 8 & 0xFF]"]
        missing = [f"{page} is None"]
        if for_write:
            missing.append(f"rd[{address} >> 8 & 0xFF] is None")
        if crosses and not self.cmos:
            missing.append(f"rd[({address} >> 8) - 1 & 0xFF] is None")
        lines += [f"if {' or '.join(missing)}:", f"    {self.leave(node.key, know)}"]
        return f"{page}[{address} & 0xFF]", lines

    def _guarded_read(self, node: Node, know: Knowledge, out: Lines) -> str:
        address, sum_ = self._address(node, out)
        byte = self.fresh()
        text, lines = self._look_up(node, address, sum_ is not None, know, for_write=False)
        span = self._likely(node, for_write=False)
        lines.append(f"{byte} = {text}")
        if span is None:
            out += lines
        else:
            out.append(f"if {self._inside(span, address, sum_ is not None, for_write=False)}:")
            out.append(f"    {byte} = {self._in_span(span, address)}")
            out.append("else:")
            out += ["    " + line for line in lines]
        if sum_ is not None:
            out.append(f"cycle += {sum_} >> 8")
        return byte

    def _guarded_store(self, node: Node, value: str, know: Knowledge, out: Lines) -> None:
        address, sum_ = self._address(node, out)
        crosses = sum_ is not None
        text, lines = self._look_up(node, address, crosses, know, for_write=True)
        if any(place.buffer in self.memory.changeable for place in self.region.code):
            lines = [self.leave(node.key, know)]  # it might be one of our own bytes
        else:
            lines.append(f"{text} = {value}")
        span = self._likely(node, for_write=True)
        if span is None:
            out += lines
            return
        out.append(f"if {self._inside(span, address, crosses, for_write=True)}:")
        out.append(f"    {self._in_span(span, address)} = {value}")
        out.append("else:")
        out += ["    " + line for line in lines]

    @staticmethod
    def _in_span(span: Span, address: str) -> str:
        shift = f" - 0x{span.base:04X}" if span.base > 0 else f" + 0x{-span.base:04X}" if span.base else ""
        return f"m{span.buffer}[{address}{shift}]"
