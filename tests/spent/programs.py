"""Programs made up at random, without tricks: routines that call each other, masks, handlers that call."""

from random import Random

RAM_CELL, CARD = 0x20, 0x4000
ORIGIN = 0x8000
MOST_ROUTINES = 7
PLAIN = ("EA", "E610", "EE0003", "FE0003", "B93003", "BD0180", "A912", "E8", "0A", "4868", "088D020328", "38E910")
SLOW = ("AD0140", "8D0140", "EE0140")
"""Reach the card, which may delay them; the last both ways."""


def made_up(seed: int, cmos: bool) -> bytes:
    """A ROM of 32 KiB for $8000."""
    random = Random(seed)
    code = bytearray()
    routines: list[int] = []

    def block(length: int, calls: bool) -> bytes:
        out = bytearray()
        for _ in range(length):
            draw = random.random()
            if draw < 0.3 and calls and routines:
                out += b"\x20" + random.choice(routines).to_bytes(2, "little")
            elif draw < 0.42:
                out += bytes.fromhex(random.choice(SLOW))
            elif draw < 0.5:  # a loop: LDY #n, DEY, BNE
                out += bytes((0xA0, random.randrange(1, 12), 0x88, 0xD0, 0xFD))
            elif draw < 0.56:  # PHP, SEI, something, PLP
                out += b"\x08\x78" + bytes.fromhex(random.choice(PLAIN)) * random.randrange(1, 6) + b"\x28"
            elif draw < 0.6:
                out += b"\x78" + bytes.fromhex(random.choice(PLAIN)) * random.randrange(1, 9) + b"\x58"
            elif draw < 0.62 and calls:  # handlers call what does not call, and may not call themselves
                out += b"\x00\xea"  # BRK and the byte that it skips
            elif draw < 0.65 and cmos:
                out += bytes.fromhex("DA5AFA7A")
            elif draw < 0.67:
                out += bytes.fromhex("AD0040")  # the main program answers: a request goes away
            else:
                out += bytes.fromhex(random.choice(PLAIN))
        return bytes(out)

    def here() -> int:
        return ORIGIN + len(code)

    for number in range(random.randrange(2, MOST_ROUTINES)):
        begin = here()
        if number % 3 == 2:  # calls itself until a cell is 0: LSR cell, BEQ over, JSR itself
            code += bytes((0x46, RAM_CELL, 0xF0, 0x03, 0x20)) + begin.to_bytes(2, "little")
        code += block(random.randrange(1, 9), calls=number > 0) + b"\x60"
        routines.append(begin)
    irq = here()
    code += b"\x48" + block(random.randrange(3), calls=False).replace(b"\x58", b"\xea") + bytes.fromhex("AD0040")
    if random.random() < 0.5:
        code += b"\x20" + routines[0].to_bytes(2, "little")
    code += b"\x68\x40"
    nmi = here()
    code += b"\x48\x20" + routines[0].to_bytes(2, "little") + b"\x68\x40"
    start = here()
    code += bytes.fromhex("A2FF9A58")
    loop = here()
    code += bytes((0xA9, random.randrange(32), 0x85, RAM_CELL)) + block(12, calls=True)
    code += b"\x4c" + loop.to_bytes(2, "little")
    image = bytes(code).ljust(0x7FFA, b"\xea")
    return image + b"".join(one.to_bytes(2, "little") for one in (nmi, start, irq))
