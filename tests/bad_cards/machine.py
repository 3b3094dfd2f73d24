"""The machine that a bad card is plugged into, and everything that is done to the card there."""

from pathlib import Path

from tests.bad_cards.table import FILES

ENDLESS = Path(__file__).parent / "endless.py"
SLOT = 3

PROGRAM = bytes.fromhex("58 AD007F 8D017F 8D027F 8D027F AD037F 4C0180")
"""cli | loop: lda status, sta command, sta lamps twice, lda other, jmp loop"""
BUTTON_AT = 400

MACHINE = """
name = "One bad card"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0111 1111 xxxx xxxx"]
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
[[card]]
slot = 3
kind = "file:{cards}:{name}"
select = "0111 1111 0000 00xx"
"""
LINES = 'lines = { INT = "IRQ", OUT = "BELL", IN = "BELL", HOLD = "RDY" }'
"""Of the cards that have such pins."""


def folder_with(folder, name, cards=None):
    """A machine's folder with a card of a class in slot 3: one of `TABLE`, or of another file."""
    cards = cards or FILES[name]
    rom = bytearray(0x8000)
    rom[: len(PROGRAM)] = PROGRAM
    rom[0x100] = 0x40  # RTI
    rom[-6:] = bytes.fromhex("0081 0080 0081")
    (folder / "rom.bin").write_bytes(rom)
    (folder / "machine.toml").write_text(MACHINE.format(cards=cards, name=name) + (LINES if cards != ENDLESS else ""))
    return folder


def exercise(machine):
    """Do to the card what a machine does: a run with input, and every question."""
    card = machine.card(SLOT)
    machine.outside(SLOT, "lamps", "press", "left", at=BUTTON_AT)
    machine.run(cycles=3_000)
    card.peek(0)
    machine.peek(0x7F01)
    machine.bus.steady_until(0x7F00, machine.cycle)
    machine.bus.accesses.wait_cycles(0x7F00, False)
    card.words()
    _ = card.screen.pixels
    card.screen.png()
    card.screen.text()
    _ = card.lamps.levels
    _ = card.serial.received
    machine.bus.seats[2].connector.pin("TONE").level(machine.cycle)
    machine.load_state(machine.save_state())
    machine.run(cycles=100)
