"""Schematics of Marlpit's cards, as the machine in demo/marlpit is wired.

`python -m tests.schematic.marlpit` writes their netlists beside its machine file.
"""

from pathlib import Path

from tests.schematic.written import Sheet

HERE = Path(__file__).parent.parent.parent / "demo" / "marlpit"
ADDRESSES = [f"A{n}" for n in range(16)]
DATA = [f"D{n}" for n in range(8)]
BUS = ["+5V", "GND", *ADDRESSES, *DATA, "RWB", "PHI2", "~{IRQ}", "~{NMI}", "~{RES}", "RDY", "SYNC"]
MEMORY = {
    **{str(n): name for n, name in enumerate(("A14", "A12", *(f"A{n}" for n in range(7, -1, -1))), start=1)},
    **{"11": "D0", "12": "D1", "13": "D2", "14": "GND", "15": "D3", "16": "D4", "17": "D5", "18": "D6", "19": "D7"},
    **{"20": "~{CS}", "21": "A10", "22": "~{OE}", "23": "A11", "24": "A9", "25": "A8", "26": "A13", "27": "~{WE}"},
    "28": "VCC",
}
VIDEO = {
    **{str(n): f"AD{10 - n}" for n in range(3, 11)},
    **{"12": "GND", "13": "MODE", "14": "~{CSW}", "15": "~{CSR}", "16": "~{INT}", "33": "VCC", "34": "~{RESET}"},
    **{str(24 - n): f"CD{n}" for n in range(8)},
}
FALSE_RAIL, TRUE_RAIL = "GND", "+5V"


def card():
    """A card with its edge connector."""
    sheet = Sheet()
    nets = {str(number): net for number, net in enumerate(BUS, start=1)}
    return sheet.part("J1", "Backplane", "Conn_01x32", nets, {number: f"Pin_{number}" for number in nets})


def joined(first, inputs):
    """Pins of gates of a package: (pins, nets) pairs."""
    return {f"p{pin}": net for pin, net in zip(first, inputs, strict=True)}


def memory_nets(**more):
    """Nets at a byte-wide memory by pin name."""
    return {name: name for name in (*ADDRESSES[:15], *DATA)} | {"GND": "GND", "VCC": "+5V"} | more


def strobes(sheet, nand, inverter_pins=("5", "6")):
    """/RD and /WR from R/W and PHI2: gates 1 and 2 of a 74HC00; R/W is inverted in U2."""
    sheet.logic(nand, "74HC00", p1="RWB", p2="PHI2", p3="/~{RD}", p4="/NRW", p5="PHI2", p6="/~{WR}")
    sheet.edit("U2", inverter_pins[0], "RWB").edit("U2", inverter_pins[1], "/NRW")


def ram():
    """The whole lower half but for the I/O page."""
    sheet = card()
    sheet.chip("U1", "62256", MEMORY, memory_nets(**{"~{CS}": "/~{CE}", "~{OE}": "/~{RD}", "~{WE}": "/~{WR}"}))
    sheet.logic("U2", "74HC04", p1="A15", p2="/NA15", p3="/~{IOPAGE}", p4="/IOPAGE")
    sheet.logic("U3", "74HC30", **joined((1, 2, 3, 4, 5, 6, 11, 12), [*ADDRESSES[8:15], "/NA15"]), p8="/~{IOPAGE}")
    sheet.logic("U4", "74HC32", p1="A15", p2="/IOPAGE", p3="/~{CE}")
    strobes(sheet, "U5")
    return sheet


def rom():
    """The upper half."""
    sheet = card()
    sheet.chip("U1", "28C256", MEMORY, memory_nets(**{"~{CS}": "/~{CE}", "~{OE}": "/~{RD}", "~{WE}": "+5V"}))
    sheet.logic("U2", "74HC04", p1="A15", p2="/~{CE}")
    strobes(sheet, "U5")
    return sheet


def io_page(sheet, output):
    """$7Fx0 to $7FxF at an output of a 138, by a comparator; /SEL."""
    p, q = (2, 4, 6, 8, 11, 13, 15, 17), (3, 5, 7, 9, 12, 14, 16, 18)
    page = {f"p{pin}": f"A{8 + n}" for n, pin in enumerate(p)}
    page |= {f"p{pin}": TRUE_RAIL if 0x7F >> n & 1 else FALSE_RAIL for n, pin in enumerate(q)}
    sheet.logic("U10", "74HC688", p1="GND", p19="/~{IOPAGE}", **page)
    pins = (15, 14, 13, 12, 11, 10, 9, 7)
    sheet.logic("U11", "74HC138", p1="A4", p2="A5", p3="A6", p4="/~{IOPAGE}", p5="A7", p6="+5V",
                **{f"p{pin}": "/~{SEL16}" if n == output else f"unconnected-(U11-Pad{pin})"
                   for n, pin in enumerate(pins)})  # fmt: skip


def video():
    """The ports of the video chip at $7F30 and $7F31."""
    sheet = card()
    io_page(sheet, 3)
    sheet.logic("U12", "74HC32", p1="A3", p2="A2", p3="/HI", p4="/HI", p5="A1", p6="/HI2", p9="/HI2", p10="/~{SEL16}",
                p8="/~{SEL}")  # fmt: skip
    sheet.logic("U2", "74HC04")
    strobes(sheet, "U5")
    sheet.logic("U13", "74HC32", p1="/~{SEL}", p2="/~{RD}", p3="/~{CSR}", p4="/~{SEL}", p5="/~{WR}", p6="/~{CSW}")
    nets = {f"CD{n}": f"D{7 - n}" for n in range(8)}
    nets |= {f"AD{n}": f"/VRAM_A{n}" for n in range(8)}
    nets |= {"MODE": "A0", "~{CSR}": "/~{CSR}", "~{CSW}": "/~{CSW}", "~{INT}": "~{IRQ}", "~{RESET}": "~{RES}"}
    sheet.chip("U1", "TMS9918A", VIDEO, nets | {"GND": "GND", "VCC": "+5V"})
    sheet.part("R1", "4k7", "R", {"1": "~{IRQ}", "2": "+5V"}, {})
    return sheet


def keyboard():
    """Status at $7F10, data at $7F11, through a buffer each; the controller pulls IRQ through an open collector."""
    sheet = card()
    io_page(sheet, 1)
    sheet.logic("U12", "74HC32", p1="A3", p2="A2", p3="/HI", p4="/HI", p5="A1", p6="/HI2", p9="/HI2", p10="/~{SEL16}",
                p8="/~{SEL}", p12="/~{SEL}", p13="/~{RD}", p11="/~{SELRD}")  # fmt: skip
    sheet.logic("U2", "74HC04", p1="A0", p2="/NA0")
    strobes(sheet, "U5")
    sheet.logic("U13", "74HC32", p1="/~{SELRD}", p2="A0", p3="/~{STATUS}", p4="/~{SELRD}", p5="/NA0", p6="/~{DATA}")
    status = ["/READY", "/OVERFLOW", "/FAULT", *["GND"] * 5]
    buffer(sheet, "U6", "/~{STATUS}", status)
    buffer(sheet, "U7", "/~{DATA}", [f"/K{n}" for n in range(8)])
    pins = {str(21 + n): f"RB{n}" for n in range(8)} | {"2": "RA0", "3": "RA1", "4": "RA2", "5": "RA3"}
    nets = {f"RB{n}": f"/K{n}" for n in range(8)} | {"RA0": "/READY", "RA1": "/OVERFLOW", "RA2": "/FAULT"}
    sheet.chip("U8", "MCU", pins, nets | {"RA3": "/INT"})
    sheet.logic("U9", "74LS05", p1="/INT", p2="~{IRQ}")
    sheet.part("R1", "4k7", "R", {"1": "~{IRQ}", "2": "+5V"}, {})
    return sheet


def buffer(sheet, ref, enable, inputs, value="74HC541"):
    """A buffer onto the data lines, its first input to D0."""
    inside = {f"p{2 + n}": net for n, net in enumerate(inputs)}
    outside = {f"p{18 - n}": line for n, line in enumerate(DATA)}
    sheet.logic(ref, value, p1=enable, p19="GND", **inside, **outside)


def pads():
    """Pad 1 at $7F22, pad 2 at $7F23: QH of each collector goes to D7."""
    sheet = card()
    io_page(sheet, 2)
    sheet.logic("U12", "74HC32", p1="A3", p2="A2", p3="/HI", p4="/HI", p5="/~{SEL16}", p6="/~{SEL}", p9="/~{SEL}",
                p10="/~{RD}", p8="/~{SELRD}")  # fmt: skip
    sheet.logic("U2", "74HC04")
    strobes(sheet, "U5")
    sheet.logic("U13", "74HC139", p1="/~{SELRD}", p2="A0", p3="A1", p6="/~{PAD1}", p7="/~{PAD2}")
    sheet.logic("U14", "74HC161", p1="+5V", p2="PHI2", p7="+5V", p9="+5V", p10="+5V", p14="/PADCLK", p15="/CARRY")
    for pad in (1, 2):
        outputs = {f"p{pin}": f"/P{pad}{letter}" for letter, pin in zip("ABCDEFGH", (15, *range(1, 8)), strict=True)}
        sheet.logic(f"U{14 + pad}", "74HC595", p10="+5V", p11="/PADCLK", p12="/CARRY", p13="GND",
                    p14=f"/PAD{pad}_DATA", **outputs)  # fmt: skip
        buffer(sheet, f"U{16 + pad}", f"/~{{PAD{pad}}}", [f"/P{pad}{letter}" for letter in "ABCDEFGH"])
        plug = {"1": "GND", "2": "/PADCLK", "3": "/CARRY", "4": f"/PAD{pad}_DATA", "7": "+5V"}
        sheet.part(f"J{1 + pad}", "Pad", "Conn_01x07", plug, {})
    return sheet


CARDS = {1: ("ram", ram), 2: ("rom", rom), 3: ("keyboard", keyboard), 4: ("pads", pads), 5: ("video", video)}
"""By slot."""


def whole():
    """All cards on one schematic: U305 is U5 of slot 3, and its nets have the card's name."""
    sheet = Sheet()
    for slot, (name, make) in CARDS.items():
        one = make()
        sheet.names.update(one.names)
        for ref, (value, symbol, nets) in one.parts.items():
            own = {pin: f"/{name}{net}" if net.startswith("/") else net for pin, net in nets.items()}
            sheet.parts[f"{ref[0]}{slot}{int(ref[1:]):02}"] = value, symbol, own
    return sheet


def main():
    """Write them."""
    for name, make in CARDS.values():
        (HERE / f"{name}.net").write_text(make().text(), encoding="utf-8")


if __name__ == "__main__":
    main()
