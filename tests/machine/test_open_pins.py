"""Pins that are joined to nothing: what they drive comes back with a machine's state."""

import pytest

from simkit import Machine
from tests.shed import SHED

MACHINE = f"""{SHED}image = "loop.bin"
[[card]]
slot = 3
kind = "ps2-keyboard"
[card.settings]
self_test_ms = 1
"""

LOOP = bytes.fromhex("4C 00 80").ljust(0x7FFA, b"\xea") + bytes([0x00, 0x80]) * 3


@pytest.fixture
def load(tmp_path):
    (tmp_path / "loop.bin").write_bytes(LOOP)
    (tmp_path / "machine.toml").write_text(MACHINE)
    return lambda: Machine.load(tmp_path)


def clock_of(machine):
    return machine.bus.seats[-1].card.slot.pin("CLOCK")


def sending(machine):
    """Run until the keyboard holds CLOCK low in the middle of a code."""
    machine.run(cycles=3_000)
    machine.keys.press("a")
    machine.run(until=lambda m: clock_of(m).value is False)
    return machine


def test_what_an_open_pin_drives_comes_back_with_the_state(load):
    m, copy = sending(load()), load()
    copy.load_state(m.save_state())
    assert clock_of(copy).value is False
    for machine in (m, copy):
        machine.run(cycles=20_000)
    assert copy.save_state() == m.save_state()


def test_a_state_tells_of_open_pins_only_those_that_are_joined_to_nothing(load, tmp_path):
    """What a joined pin drives stands with its line."""
    machine = sending(load())
    assert machine.bus.save()["open_pins"] == [[3, "CLOCK", False], [3, "DATA", False]]
    text = MACHINE + '[card.lines]\nCLOCK = "KEYS"\n'
    (tmp_path / "machine.toml").write_text(
        text.replace("[card.settings]\nself_test_ms = 1\n", "settings.self_test_ms = 1\n")
    )
    joined = sending(Machine.load(tmp_path))
    assert joined.bus.save()["open_pins"] == [[3, "DATA", False]]


def test_a_state_in_which_an_open_pin_was_let_go_lets_it_go(load):
    m = load()
    idle = m.save_state()
    sending(m).load_state(idle)
    assert clock_of(m).value is None
