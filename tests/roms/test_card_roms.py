"""The test ROMs of ports, serial, bank and lamp cards: what they tell of a sound card, and what of a fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from simkit import Machine

DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.fixture(params=["exact", "auto"])
def load(request, tmp_path):
    """Loads a demo machine, with TOML for a variant behind it, on either engine."""

    def make(name, extra="", **options):
        file = tmp_path / "machine.toml"
        file.write_text(f'base = "{(DEMO / name / "machine.toml").as_posix()}"\n{extra}')
        return Machine.load(file, engine=request.param, **options)

    return make


def lit(machine, slot):
    card = machine.card(slot)
    (port,) = card.ports.values()
    return [label for label, on in zip(port.port.labels, port.levels, strict=True) if on]


# Ports ----------------------------------------------------------------------------------------------------------------

PARTS = ["interrupt", "shift clock", "shift register", "timer 2", "timer 1", "port A"]


def test_all_parts_of_a_sound_6522_work_and_its_lamps_count_half_seconds(load):
    """A time-out is seen first two cycles after the count: WDC W65C22S data sheet, Figure 2-3; the ROM looks there."""
    m = load("ports-test")
    m.run(seconds=0.05)
    assert lit(m, 7) == ["L5", "L4", "L3", "L2", "L1", "L0"], "blinks before anything else is tried"
    m.run(seconds=2)
    assert lit(m, 6) == PARTS
    assert lit(m, 7) == ["L1", "L0"]
    before = m.lines["LAMP_B0"].since
    m.run(seconds=0.5)
    assert lit(m, 7) == ["L2"]
    assert abs(m.lines["LAMP_B0"].since - before - 500_000) < 30
    assert not list(m.findings)


@pytest.mark.parametrize(
    ("lines", "dark"),
    [
        ('CB1 = "LOOSE"', ["shift clock"]),
        ('INT = "LOOSE"', ["interrupt"]),
        ('PA1 = "LAMP_A0"', ["port A"]),
    ],
)
def test_a_fault_leaves_its_lamp_dark(load, lines, dark):
    wired = {"INT": "IRQ", "CB1": "SHIFT_CLOCK", "PB6": "SHIFT_CLOCK", **{f"PA{n}": f"LAMP_A{n}" for n in range(6)}}
    pin, _, line = lines.partition(" = ")
    wired[pin] = line.strip('"')
    table = "".join(f'{pin} = "{line}"\n' for pin, line in wired.items())
    m = load("ports-test", f"[[card]]\nslot = 4\n[card.lines]\n{table}")
    m.run(seconds=0.5)
    works = m.peek(m.labels["WORKS"])
    bits = dict(zip(reversed(PARTS), range(6), strict=True))
    assert [part for part in PARTS if not works >> bits[part] & 1] == dark


# Serial ---------------------------------------------------------------------------------------------------------------

HELLO = b"\0\0Serial test, 19200 baud.\r\n"
SOUND = b"The ready sign works.\r\n"
LATER = b"The ready sign is always on: I wait a byte time.\r\n"


def test_the_serial_test_says_hello_and_sends_back_what_comes(load):
    """SY6551 data sheet: the transmitter data register is busy until the frame before has left."""
    m = load("serial-test")
    m.run(seconds=0.05)
    assert m.serial.received == HELLO + SOUND
    data = bytes(range(1, 256)) * 4
    m.serial.send(data)
    m.run(seconds=len(data) * 10 / 19_200 + 0.01)
    assert m.serial.received == HELLO + SOUND + data
    assert not list(m.findings)


def test_on_the_later_part_it_says_so_and_waits_a_byte_time(load):
    """W65C51N: status bit 4 is always 1: the maker's note, and forum 6502.org post 29784 for the wait."""
    m = load("serial-test", settings={3: {"part": "W65C51N"}})
    m.run(seconds=0.05)
    told = m.serial.received
    assert told.endswith(HELLO[2:] + LATER)
    assert m.findings.count("serial-store-while-shifting") == 1, "the ROM's own question to the part, no more"
    for n, byte in enumerate(b"slugs"):
        m.serial.send(bytes([byte]), at=m.cycle + 2_000 * n)
    m.run(seconds=0.02)
    assert m.serial.received == told + b"slugs"
    assert m.findings.count("serial-store-while-shifting") == 1


def test_damaged_and_lost_bytes_are_marked(load):
    """Framing error and overrun: SY6551 data sheet, status register."""
    m = load("serial-test")
    m.run(seconds=0.05)
    told = len(m.serial.received)
    m.outside(3, "serial", "receive", ord("x"), "framing")
    m.run(seconds=0.005)
    m.serial.send(b"y")
    m.run(seconds=0.005)
    assert m.serial.received[told:] == b"?xy"


# Banks ----------------------------------------------------------------------------------------------------------------


def test_every_bank_keeps_its_own_bytes_and_runs_its_own_code(load):
    m = load("banks-test")
    m.run(seconds=0.1)
    assert lit(m, 7) == [f"L{n}" for n in range(7, -1, -1)]
    assert m.peek(m.labels["ROUND"]) > 20
    assert not list(m.findings)


@pytest.mark.parametrize(
    ("wires", "dark"),
    [
        ('A14 = "low", A15 = "BANK1", A16 = "BANK2"', {1, 3, 5, 7}),
        ('A14 = "BANK0", A15 = "high", A16 = "BANK2"', {2, 3, 6, 7}),
        ('A14 = "BANK0", A15 = "BANK1", A16 = "BANK0"', {4, 5, 6, 7}),
        ('A14 = "BANK2", A15 = "BANK1", A16 = "BANK0"', set()),
    ],
)
def test_a_latch_output_that_does_not_arrive_leaves_half_of_the_banks_dark(load, wires, dark):
    """Banks are written from 7 down, so of two that are one and the same the lower one was written last."""
    m = load("banks-test", f"[[card]]\nslot = 6\nwires = {{ {wires} }}\n")
    m.run(seconds=0.1)
    assert set(lit(m, 7)) == {f"L{n}" for n in range(8) if n not in dark}


# Lamps and buttons ----------------------------------------------------------------------------------------------------


def test_a_light_runs_from_right_to_left(load):
    m = load("lamps-and-buttons")
    m.run(seconds=0.05)
    seen = []
    for _ in range(10):
        seen += lit(m, 6)
        m.run(seconds=0.103)  # ten looks of 1281 x 8 cycles and some more
    assert seen == [*(f"L{n}" for n in range(8)), "L0", "L1"]


@pytest.mark.parametrize("seed", range(4))
def test_buttons_held_light_their_lamps_and_each_press_counts_once_though_contacts_bounce(load, seed):
    m = load("lamps-and-buttons", seed=seed)
    m.buttons.press("B6", at=100_000)
    m.buttons.press("B1", at=200_000)
    m.run(seconds=0.25)
    assert lit(m, 6) == ["L6", "L1"]
    m.buttons.release("B6")
    m.buttons.release("B1")
    m.run(seconds=0.05)
    assert len(lit(m, 6)) == 1
    for n in range(5):
        m.buttons.press("B3", at=m.cycle + 100_000 * n)
        m.buttons.release("B3", at=m.cycle + 100_000 * n + 50_000)
    m.run(seconds=0.55)
    assert m.peek(m.labels["PRESSES"]) == 7
    assert not list(m.findings)
