"""Writes decoder.jed, the fuse map of the 16V8 that decodes this machine's memory: python demo/decoders/fuses.py

It is what an assembler for such parts would write of these equations, a row of fuses for each product term:

    pins 1 to 8 are A15 to A8, 9 is RW, 11 is PHI2
    pin 19 is low for RAM: not A15, and not all of A14 to A8 (the I/O page $7F00-$7FFF)
    pin 18 is low for ROM: A15
    pin 17 is low for a read strobe: RW and PHI2
    pin 16 is low for a write strobe: not RW and PHI2
"""

from pathlib import Path

COLUMNS = {2: 0, 1: 2, 3: 4, 4: 8, 5: 12, 6: 16, 7: 20, 8: 24, 9: 28, 11: 30}
"""Of the pins, in simple mode; the inverse of each stands beside it."""
PINS = {"A15": 1, "A14": 2, "A13": 3, "A12": 4, "A11": 5, "A10": 6, "A9": 7, "A8": 8, "RW": 9, "PHI2": 11}
TERMS = {
    19: [f"/A15 /A{n}" for n in range(14, 7, -1)],
    18: ["A15"],
    17: ["RW PHI2"],
    16: ["/RW PHI2"],
}
FUSES = 2194


def fuses() -> list[int]:
    """All fuses: 0 is connected. Outputs are low when a term is true (polarity 0), and always driven."""
    found = [0] * FUSES
    for pin, terms in TERMS.items():
        for row, term in enumerate(terms, start=8 * (19 - pin)):
            found[32 * row : 32 * row + 32] = [1] * 32
            for name in term.split():
                found[32 * row + COLUMNS[PINS[name.lstrip("/")]] + name.startswith("/")] = 0
    found[2120:2128] = [int(pin not in TERMS) for pin in range(19, 11, -1)]  # the other pins are inputs
    found[2128:2192] = [1] * 64
    found[2192:2194] = [1, 0]  # simple mode
    found[2056:2120] = [int(bit) for byte in b"MARLPIT1" for bit in f"{byte:08b}"]
    return found


def file() -> str:
    """The file: fuses that are 0 are left out, as the default says so."""
    bits = fuses()
    lines = ["\x02Decoder of the clubhouse machine*", "QP20*", f"QF{FUSES}*", "G0*", "F0*"]
    for start in (*range(0, 2048, 32), 2048, 2056, 2120, 2128, 2192):
        end = next(stop for stop in (*range(32, 2049, 32), 2056, 2120, 2128, 2192, FUSES) if stop > start)
        if any(bits[start:end]):
            lines.append(f"L{start:04d} {''.join(map(str, bits[start:end]))}*")
    total = sum(bit << number % 8 for number, bit in enumerate(bits)) & 0xFFFF
    text = "\n".join((*lines, f"C{total:04X}*", "\x03"))
    return f"{text}{sum(text.encode('ascii')) & 0xFFFF:04X}\n"


if __name__ == "__main__":
    Path(__file__).with_name("decoder.jed").write_text(file(), encoding="ascii", newline="\n")
