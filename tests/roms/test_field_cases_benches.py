"""Wirings of many a bench, said as their builders would and run on both engines: what is seen, and what is told of it.

From memory, common practice, where a row names no source: what a part does with a wire that is wrong follows from its
data sheet, and that is what these rows hold the machine to.
"""

from __future__ import annotations

import pytest
from field_bench import PORTS, RAM, VECTORS

STORE = "8000: A9 55 85 10 A5 10 85 11 A9 01 85 12 4C 0C 80\n" + VECTORS
CALL = "8000: A2 FF 9A 20 10 80 A9 AA 85 10 4C 0A 80\n8010: E6 11 60\n" + VECTORS
PORT = "8000: A9 FF 8D 02 60 A9 55 8D 00 60 4C 0A 80\n" + VECTORS
TICKS = """8000: A2 FF 9A A9 00 85 10 85 11 85 12 58 A9 40 8D 0B
8010: 60 A9 E8 8D 04 60 A9 03 8D 05 60 A9 C0 8D 0E 60
8020: E6 10 4C 20 80
8040: E6 11 2C 04 60 40
8050: E6 12 40
FFFA: 50 80 00 80 40 80"""
LETTERS = (
    """8000: A2 FF 9A 8D 01 50 A9 0B 8D 02 50 A9 1F 8D 03 50
8010: A9 41 20 27 80 A9 42 20 27 80 A9 43 20 27 80 A9
8020: 01 8D 00 02 4C 24 80 48 AD 01 50 29 10 F0 F9 68
8030: 8D 00 50 60
"""
    + VECTORS
)
PICTURE = (
    """8000: A9 81 8D 01 70 A9 C7 8D 01 70 EA A9 F1 8D 01 70
8010: A9 87 8D 01 70 4C 15 80
"""
    + VECTORS
)  # register 7 last: $F1


def cells(machine):
    """What $0010 to $0012 hold, as the CPU would see it."""
    return machine.peek(0x10, 3).hex(" ") if [s for s, _ in machine.bus.where(0x10) if s.slot == RAM] else "no memory"


def port(machine):
    return machine.card(PORTS).words()[1].split(": ")[1]


def letters(machine):
    return machine.serial.received.decode()


ROWS = [
    # selects
    ("chip enable of the RAM high", STORE, ["slot 1: /CE tied high"], cells, "no memory", "never-selected"),
    ("of the RAM on the ROM's output", STORE, ["slot 1: selected by A15"], cells, "no memory", "contention"),
    ("of the RAM always low", STORE, ["slot 1: chip enable tied low"], cells, None, "contention"),
    (
        "two outputs of the decoder exchanged",
        LETTERS,
        ["slot 3: selected by 0110 xxxx xxxx xxxx", "slot 4: selected by 0101 0000 0000 00xx"],
        letters,
        "",
        "",
    ),
    (
        "A15 open at a decoder",
        PORT,
        ["slot 4: line A15 open"],
        port,
        "pins $FF, output register $00, no outputs",
        "never-selected",
    ),
    (
        "A13 open at a decoder that wants it high",
        PORT,
        ["slot 4: line A13 floating"],
        port,
        "pins $55, output register $55, outputs $FF",
        "",
    ),
    (
        "A13 and A14 exchanged at a decoder that wants both",
        PORT,
        ["slot 4: A13 and A14 swapped"],
        port,
        "pins $55, output register $55, outputs $FF",
        "",
    ),
    (
        "A12 and A13 exchanged there",
        PORT,
        ["slot 4: A12 and A13 swapped"],
        port,
        "pins $FF, output register $00, no outputs",
        "",
    ),
    ("select inverted", PORT, ["slot 4: select inverted"], port, None, "contention"),
    # register selects
    ("register selects exchanged", LETTERS, ["slot 3: RS0 and RS1 swapped"], letters, "", ""),
    ("a register select open", LETTERS, ["slot 3: RS1 not connected"], letters, "", ""),
    (
        "register selects one line too high",
        PORT,
        [f"slot 4: RS{n} joined to A{n + 1}" for n in range(4)],
        port,
        "pins $FF, output register $55, no outputs",
        "",
    ),
    # R/W, PHI2 and strobes
    (
        "R/W of a port card high",
        PORT,
        ["slot 4: R/W tied high"],
        port,
        "pins $FF, output register $00, no outputs",
        "contention",
    ),
    (
        "R/W inverted at a port card",
        PORT,
        ["slot 4: R/W inverted"],
        port,
        "pins $FF, output register $00, no outputs",
        "contention",
    ),
    (
        "PHI2 and its complement exchanged",
        PORT,
        ["slot 4: PHI2 exchanged with PHI1"],
        port,
        "pins $FF, output register $00, no outputs",
        "",
    ),
    (
        "PHI2 low at a port card",
        PORT,
        ["slot 4: PHI2 stuck low"],
        port,
        "pins $FF, output register $00, no outputs",
        "",
    ),
    ("R/W of the RAM open", STORE, ["slot 1: R/W open"], cells, "00 00 00", "contention"),
    ("strobes of the RAM exchanged", STORE, ["slot 1: /OE and /WE exchanged"], cells, "no memory", ""),
    ("WE of the RAM high", STORE, ["slot 1: /WE tied high"], cells, "00 00 00", "write-strobe-missing"),
    ("OE of the RAM high", STORE, ["slot 1: /OE tied high"], cells, "no memory", "read-strobe-missing"),
    ("WE of the RAM low", STORE, ["slot 1: /WE tied low"], cells, "no memory", ""),
    ("write strobe without PHI2", STORE, ["slot 1: write enable not RW"], cells, "55 55 01", "strobe-without-phi2"),
    # data lines
    ("two exchanged at a RAM", STORE, ["slot 1: D3 and D4 swapped"], cells, "55 55 01", "-"),
    ("all reversed at a RAM", STORE, ["slot 1: data bus reversed"], cells, "55 55 01", "-"),
    ("two shorted at a RAM", STORE, ["slot 1: D2 and D3 shorted"], cells, "51 51 01", "output-fight"),
    ("one low for all", STORE, ["D5 stuck low"], cells, "08 08 08", ""),
    ("two exchanged at the serial card", LETTERS, ["slot 3: D0 and D1 swapped"], letters, "BAC", ""),
    ("the ready bit low at the serial card", LETTERS, ["slot 3: D4 stuck low"], letters, "", ""),
    ("the ready bit high there", LETTERS, ["slot 3: D4 stuck high"], letters, "QS", "serial-byte-replaced"),
    # address lines
    ("two exchanged at a RAM", CALL, ["slot 1: A7 exchanged with A8"], cells, "aa 01 00", "-"),
    ("A8 of the RAM low: the stack lies on page 0", CALL, ["slot 1: pin A8 low"], cells, "aa 01 00", "-"),
    ("two shorted at the RAM", STORE, ["slot 1: A0 and A1 shorted"], cells, "01 01 01", "output-fight"),
    ("A0 of the ROM on A1", STORE, ["slot 2: pin A0 joined to A1"], cells, "00 00 00", ""),
    ("A0 of the ROM open", STORE, ["slot 2: pin A0 open"], cells, "00 00 00", ""),
    # interrupts
    ("no pull-up on IRQ", TICKS, ["no pull-up on IRQ"], lambda m: m.lines["IRQ"].asserted, True, "input-open"),
    ("IRQ open at the CPU", TICKS, ["CPU: IRQ not connected"], lambda m: m.peek(0x11), 0, "input-open"),
    ("the output wired to NMI", TICKS, ["slot 4: IRQ joined to NMI"], lambda m: m.peek(0x11, 2), b"\x00\x01", ""),
    (
        "IRQ and NMI exchanged at the CPU",
        TICKS,
        ["CPU: IRQ and NMI swapped"],
        lambda m: m.peek(0x11, 2),
        b"\x00\x01",
        "",
    ),
    ("the output left open", TICKS, ["slot 4: IRQB open"], lambda m: m.peek(0x11, 2), b"\x00\x00", ""),
    ("the output inverted", TICKS, ["slot 4: INT inverted"], lambda m: m.peek(0x10), 0, ""),
    ("IRQ low for good", TICKS, ["IRQ stuck low"], lambda m: m.peek(0x10), 0, ""),
    # outputs that meet
    (
        "two outputs of a port shorted",
        PORT,
        ["slot 4: PB6 and PB7 shorted"],
        port,
        "pins $15, output register $55, outputs $FF",
        "output-fight",
    ),
    (
        "an output of a port grounded",
        PORT,
        ["slot 4: PB0 grounded"],
        port,
        "pins $54, output register $55, outputs $FF",
        "output-fight",
    ),
    # the serial card's lines
    ("CTS high", LETTERS, ["slot 3: CTSB tied high"], letters, "", ""),
    ("CTS open", LETTERS, ["slot 3: CTS not connected"], letters, "", "line-undriven"),
    ("CTS grounded", LETTERS, ["slot 3: CTS grounded"], letters, "ABC", "-"),
]


@pytest.mark.parametrize(
    ("program", "sentences", "look", "seen", "told"), [row[1:] for row in ROWS], ids=[row[0] for row in ROWS]
)
def test_a_wiring_shows_what_the_bench_shows(bench, program, sentences, look, seen, told):
    m = bench(program, wiring=sentences)
    m.run(cycles=3_000)
    rules = {finding.rule for finding in m.findings}
    if seen is not None:
        assert look(m) == seen
    if told == "-":
        assert not rules
    elif told:
        assert told in rules
