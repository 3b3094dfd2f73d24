"""Serial wires, clock and crystal of a 6551 that are open, held or on each other's contact, on both engines.

That an open input reads high, which is mark on RXD, and that a baud generator stands still without its crystal, is
common practice, from memory; that nothing is sent and received without a clock is arithmetic. [SY] is Synertek, SY6551
data sheet, as public pages reproduce it.
"""

from __future__ import annotations

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description

ROM = 2
PROGRAM = bytes.fromhex(
    "A2FF9A8D0150A90B8D0250A91F8D0350"  # 19200 baud, receiver and transmitter on
    "A9412027 80A942202780 4C1A80"
)
SUBROUTINE = bytes.fromhex("48AD01502910F0F9688D005060")
IMAGE = (PROGRAM.ljust(0x27, b"\xea") + SUBROUTINE).ljust(0x7FFC, b"\xea") + b"\x00\x80\x00\x80"


def run(*said, settings=None, control=None):
    image = IMAGE if control is None else IMAGE.replace(b"\xa9\x1f", bytes([0xA9, control]))
    made = []
    for engine in ("exact", "core"):
        m = Machine.load("demo:bench", images={ROM: image}, wiring=said, engine=engine, settings={3: settings or {}})
        m.serial.send(b"Z", at=2_000)
        m.run(cycles=60_000)
        made.append(m)
    assert made[0].save_state() == made[1].save_state()
    assert list(made[0].findings) == list(made[1].findings)
    return made[1]


def told(m):
    return {f.rule: f.message for f in m.findings if f.slot == 3}


def received(m):
    return bool(m.peek(0x5001)[0] & 0x08 if isinstance(m.peek(0x5001), bytes) else m.peek(0x5001) & 0x08)


@pytest.mark.parametrize(
    ("said", "sent", "heard"),
    [
        ((), b"AB", True),
        (("slot 3: RXD open",), b"AB", False),
        (("slot 3: RXD stuck low",), b"AB", False),
        (("slot 3: RX tied to VCC",), b"AB", False),
        (("slot 3: TXD open",), b"", True),
        (("slot 3: TX grounded",), b"", True),
        (("slot 3: RXD and TXD swapped",), b"", False),
        (("slot 3: RXC open",), b"AB", True),
        (("slot 3: XTAL1 open",), b"", False),
        (("slot 3: crystal missing",), b"", False),
    ],
)
def test_what_leaves_and_what_arrives_with_a_wire_that_is_wrong(said, sent, heard):
    m = run(*said)
    assert m.serial.received[:2] == sent
    assert received(m) is heard
    rules = told(m)
    assert ("serial-not-listening" in rules) is not heard
    assert ("serial-byte-waits" in rules) is (not sent and not heard and "TXD" not in said[0])


def test_what_is_told_names_the_wire():
    assert "RXD is not joined to the far side" in told(run("slot 3: RXD open"))["serial-not-listening"]
    rules = told(run("slot 3: XTAL1 low"))
    assert "XTAL1 is not joined" in rules["serial-not-listening"]
    assert "XTAL1 is not joined" in rules["serial-byte-waits"]


def test_a_receiver_with_a_clock_of_its_own_stops_when_that_is_open():
    """RCS 0: the receiver takes the clock on RxC ([SY] control register); the transmitter has the crystal."""
    clock = {"outside_clock_hz": 307_200}
    assert received(run(settings=clock, control=0x0F))
    m = run("slot 3: RxC not connected", settings=clock, control=0x0F)
    assert not received(m)
    assert m.serial.received[:2] == b"AB"


@pytest.mark.parametrize(
    "said", ["RXD joined to IRQ", "RXD shorted to TXD", "TXD exchanged with RTS", "TXD push-pull", "RXD inverted"]
)
def test_what_else_is_done_to_such_a_pin_is_refused_in_words(said):
    with pytest.raises(SimkitError, match="to a connector or a part of its own"):
        Machine.load("demo:bench", wiring=[f"slot 3: {said}"])


def test_keys_leave_such_a_pin_open_and_join_it_to_no_line(tmp_path):
    path = tmp_path / "machine.toml"
    base = Machine.load("demo:bench").description.path.as_posix()
    path.write_text(f'base = "{base}"\n[[card]]\nslot = 3\nlines = {{ TXD = "GND" }}\n')
    assert Machine.load(path, images={ROM: IMAGE}).card(3)
    path.write_text(f'base = "{base}"\n[[card]]\nslot = 3\nlines = {{ TXD = "LOOP" }}\n')
    with pytest.raises(SimkitError, match="to a connector"):
        read_description(path)
