"""Fuse maps of programmable logic, field by field."""

from __future__ import annotations

from fuzzing.rolls import Rolls

PARTS = {"GAL16V8": (2194, 20, 32), "GAL20V8": (2706, 24, 40), "ATF22V10C": (5892, 24, 44)}
_STRANGE = (
    "QF0",
    "QF9999999999",
    "QP-1",
    "F2",
    "L",
    "L99999 1",
    "L0",
    "K0 FF",
    "Kx",
    "C",
    "CZZZZ",
    "G2",
    "V0 1",
    "X1",
    "",
)
_STRANGE += ("J anything", "U 1010", "EH 0F", "D0102", "N Ger\u00e4t", "l0 1", "*", "Lx 1", "P 1 1", "S 0", "W\t")


def fuse_map(rolls: Rolls) -> tuple[str, bytes]:
    """A part, and a file for it, mostly: sound, or with a field too many, or spoilt."""
    part = rolls.choice(tuple(PARTS))
    count, pins, width = PARTS[rolls.choice(tuple(PARTS))] if rolls.chance(9) else PARTS[part]
    density = rolls.choice((0.0, 0.02, 0.1, 0.5))
    fuses = bytearray(int(rolls.random() >= density) for _ in range(count))
    if count < 5000:
        fuses[-2:] = rolls.choice((b"\1\0", b"\1\1", b"\0\1", b"\0\0"))
    fields = [f"QP{pins}", f"QF{count}", "F0", *_lists(fuses, width)]
    if rolls.chance(3):
        fields[2:2] = ["QV3"]
        fields += [f"V{n} {''.join(rolls.choice('01CKFHLNXZP') for _ in range(pins))}" for n in (1, 2, 3)]
    total = sum(bit << n % 8 for n, bit in enumerate(fuses)) & 0xFFFF
    fields.append(f"C{total if rolls.randrange(6) else rolls.getrandbits(16):04X}")
    for _ in range(rolls.choice((0, 0, 1, 3))):
        fields.insert(rolls.randint(0, len(fields)), rolls.choice((*_STRANGE, rolls.word())))
    end = rolls.choice(("\n", "\n", "\r\n", "\r", ""))
    text = f"\x02made up*{end}{''.join(f'{field}*{end}' for field in fields)}\x03"
    if rolls.chance(8):
        text = text.replace(rolls.choice(("\x02", "\x03", "*")), "", 1)
    data = text.encode("utf-8", "surrogatepass")
    data += b"%04X" % (sum(data) & 0xFFFF)
    return part, rolls.spoil(data) if rolls.chance(5) else data


def _lists(fuses: bytearray, width: int) -> list[str]:
    return [f"L{at} {''.join(map(str, fuses[at : at + width]))}" for at in range(0, len(fuses), width)]
