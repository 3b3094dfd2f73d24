"""Random programs for boards."""

import random

from boards import HANDLER, IO, PANEL, ROUTINES, START, Pair

from simkit.cpu.isa.opcodes import OPCODES

WAITS = (
    "AD027F CD027F F0FB",  # lda $7f02 | wait: cmp $7f02, beq wait
    "AD027F CD027F F0FB CD027F F0FB",
    "AD027F 8543 EA A543 CD027F F0F9",  # lda $7f02, sta $43, nop | wait: lda $43, cmp $7f02, beq wait
    "AD027F 4D017D 8543 AD017D 4543 CD027F F0F6",  # with a look at the lamps in each round, which stay
    "AD027F 8544 CD027F F0F9",  # wait: sta $44, cmp $7f02, beq wait: a store in each round
    "AD027F E644 CD027F F0F9",
    "AD027F 8D007D CD027F F0F8",  # the same with the lamps, whose writes wait
    "AE027F EC027F F0FB A204 CA D0FD",
)
"""Programs that wait for a register that moves by the clock."""


class Programs:
    """Random programs that go on and on, with all that is hard for a core.

    Args:
        part: the CPU.
        seed: of everything.
        hard: with a `Panel` on the board, undocumented instructions, many BRKs, and WAI.
    """

    def __init__(self, part: str, seed: int, *, hard: bool = False) -> None:
        self.part = part
        self.random = random.Random(seed)
        self.hard = hard
        names = ["STP", "JAM", "RTI", "RTS", "JSR", "JMP", "PLP", "TXS"] + ([] if hard else ["BRK", "WAI"])
        self.opcodes = [o for o in OPCODES[part] if (hard or o.documented) and o.mnemonic not in names]
        self.branches = [o for o in self.opcodes if o.mode in ("rel", "zprel")]
        self.plain = [o for o in self.opcodes if o.mode not in ("rel", "zprel")]

    def _address(self, low: int, high: int) -> int:
        if self.hard and self.random.random() < 0.08:
            return PANEL + self.random.choice((0, 0, 0, 4, 4, 1, 1, 2, 3, 3, 3, 5))
        choose = self.random.random()
        if choose < 0.10:
            return IO + self.random.choice((0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 0xFF))
        if choose < 0.16:
            return self.random.choice((0x7EFF, 0x7EF0, 0x7EC0, 0x8000, 0x80FF, 0xBFFF, 0xC0FF))
        if choose < 0.24:
            return self.random.randrange(low, high)  # our own code
        if choose < 0.34:
            return self.random.randrange(0x8000, 0x8200)
        if choose < 0.40:
            return self.random.randrange(0x100, 0x200)
        return self.random.randrange(0x200, 0x400)

    def instruction(self, low: int, high: int, at: int) -> bytes:
        """One random instruction for address `at`, in code from `low` to `high`."""
        if self.hard and self.random.random() < 0.06:
            return bytes.fromhex(self.random.choice((*WAITS, *["58"] * 2 * len(WAITS))))  # cli, or no interrupt comes
        pick = self.random.random()
        if pick < 0.16:
            opcode = self.random.choice(self.branches)
            back = (8, 12, 16, 20, 40) if self.hard and self.random.random() < 0.9 else (-8, -12, -16, -20)
            offset = self.random.choice((2, 3, 4, 6, 8, 12, *back, self.random.randrange(-90, 90)))
            to = min(max(at + opcode.length + offset, low), high)
            offset = min(max(to - at - opcode.length, -128), 127) & 0xFF
            return bytes([opcode.code, *([self.random.randrange(256)] if opcode.mode == "zprel" else []), offset])
        if pick < 0.21:
            to = self.random.choice(ROUTINES)
            return bytes([0x20, to & 0xFF, to >> 8])
        if pick < 0.22:
            return bytes([0x4C]) + self.random.randrange(at + 3, min(at + 20, high + 4)).to_bytes(2, "little")
        if pick < 0.24:
            return bytes([0x08, 0x28])  # PHP PLP
        if self.hard and pick < 0.27:
            return bytes([0x00, self.random.randrange(256)])  # brk and its signature
        opcode = self.random.choice(self.plain)
        if opcode.mode in ("abs", "absx", "absy"):
            return bytes([opcode.code]) + self._address(low, high).to_bytes(2, "little")
        operand = self.random.choice((0x10, 0x12, 0x14, 0xFF, 0x00, self.random.randrange(256)))
        return bytes([opcode.code] + [operand] * (opcode.length - 1))

    def stretch(self, low: int, high: int, end: bytes) -> bytes:
        """Random instructions from `low` on, ended by `end` before `high`."""
        code = b""
        last = high - 6 - len(end)
        while low + len(code) < last:
            code += self.instruction(low, last, low + len(code))
        return code + b"\xea" * (last - low - len(code)) + b"\xea" * 2 + end

    def put(self, pair: Pair) -> None:
        """Fill both boards."""
        size = self.random.choice((40, 80, 160, 300))
        pieces = {START: self.stretch(START, START + size, bytes([0x4C, START & 0xFF, START >> 8]))}
        for routine in ROUTINES:
            pieces[routine] = self.stretch(routine, routine + self.random.choice((16, 40, 70)), b"\x60")
        acknowledge = bytes([0x48, 0xAD, 0x01, IO >> 8])
        if self.hard:  # lda #0, sta PANEL + 3
            acknowledge += bytes([0xA9, 0x00, 0x8D, 0x03, PANEL >> 8])
        pieces[HANDLER] = acknowledge + self.random.choice((b"", b"\xe6\x20")) + b"\x68\x40"
        pieces[HANDLER + 0x20] = b"\xe6\x21\x40"
        pieces[0x10] = bytes(self.random.choice(((0x00, 0x02), (0xF0, 0x7E), (0x80, 0x80), (0x08, 0xC0)))) * 3
        for address, code in pieces.items():
            pair.each("place", address, code)
        again = self.hard and self.random.random() < 0.1
        pair.each("vectors", HANDLER + 0x20, START, START if again else HANDLER)  # again: brk leads to brk
        for _ in range(0 if self.hard else self.random.randrange(6)):
            name = self.random.choice(("IRQ", "IRQ", "NMI", "SO", "RESET"))
            length = self.random.choice((1, 2, 60, 700)) if name == "RESET" else self.random.randrange(1, 60)
            pair.each("pull", name, self.random.randrange(7, 20_000), length)
