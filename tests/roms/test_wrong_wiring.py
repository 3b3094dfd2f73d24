"""The exhibits of wrong wiring: each shows on the tester what its file says, and what the sound machine does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from simkit import Machine

ROOT = Path(__file__).resolve().parents[2]
EXHIBITS = ROOT / "demo" / "wrong-wiring"
BUTTONS = ("a", "b", "select", "start", "up", "down", "left", "right")
SHOWN = ("a", "b", "sel", "start", "up", "down", "left", "right")
FIRST_LINES = {1: 3, 2: 11}


def pad_tester(folder: Path) -> Machine:
    """The machine past its start."""
    machine = Machine.load(folder)
    machine.run(seconds=0.1)
    return machine


def held(machine: Machine, pad: int) -> list[str]:
    line = machine.screen.text().splitlines()[FIRST_LINES[pad] + 2].split()
    assert line[0] == "held"
    return [BUTTONS[SHOWN.index(name)] for name in line[1:]]


def shown_for(machine: Machine, pad: int, button: str) -> tuple[list[str], list[str]]:
    machine.pads[pad].press(button)
    machine.run(seconds=0.03)
    found = held(machine, 1), held(machine, 2)
    machine.pads[pad].release(button)
    machine.run(seconds=0.03)
    return found


def keyboard_tester(folder: Path) -> Machine:
    machine = Machine.load(folder, settings={3: {"self_test_ms": 20}})
    machine.run(seconds=0.1)
    return machine


def codes(machine: Machine) -> list[str]:
    return " ".join(machine.screen.text().splitlines()[4:10]).split()


def test_every_exhibit_has_a_test_here():
    names = {path.name for path in EXHIBITS.iterdir() if (path / "machine.toml").is_file()}
    source = Path(__file__).read_text()
    assert names
    assert all(f'"{name}"' in source for name in names)


def test_the_sound_machine_shows_every_button_and_nothing_else():
    machine = pad_tester(ROOT / "demo" / "pad-test")
    for button in BUTTONS:
        assert shown_for(machine, 1, button) == ([button], [])
        assert shown_for(machine, 2, button) == ([], [button])
    assert not list(machine.findings)


def test_reversed_bits_exchange_a_with_right_and_so_on():
    """QA to D7 instead of QH: bit n appears as bit 7 - n (74HC595 function table)."""
    machine = pad_tester(EXHIBITS / "pad-order-reversed")
    assert [shown_for(machine, 1, button)[0] for button in BUTTONS] == [[button] for button in reversed(BUTTONS)]


def test_swapped_ports_show_pad_1_at_pad_2():
    machine = pad_tester(EXHIBITS / "pad-ports-swapped")
    assert shown_for(machine, 1, "start") == ([], ["start"])
    assert shown_for(machine, 2, "left") == (["left"], [])


def test_a_latch_that_is_always_high_shows_the_first_button_everywhere():
    """While P/S is high stage 8 follows its input and never shifts (Fairchild, CD4021BC data sheet DS005954)."""
    machine = pad_tester(EXHIBITS / "pad-latch-backwards")
    assert shown_for(machine, 1, "a")[0] == list(BUTTONS)
    assert shown_for(machine, 1, "start")[0] == []


def test_an_early_storage_clock_shows_each_button_one_place_on():
    """Clocks tied or too close: outputs one clock behind (Philips, 74HC595 data sheet, 2003, function table)."""
    machine = pad_tester(EXHIBITS / "pad-one-bit-behind")
    expected = [[name] for name in (*BUTTONS[1:], BUTTONS[0])]
    assert [shown_for(machine, 1, button)[0] for button in BUTTONS] == expected


def test_a_pad_clock_above_the_limit_shows_buttons_nobody_touched_and_is_reported():
    """4 MHz against 3 MHz (CD4021B at 5 V: Texas Instruments SCHS024C, page 3-40)."""
    machine = pad_tester(EXHIBITS / "pad-clock-too-fast")
    seen = set()
    for _ in range(10):
        seen |= set(shown_for(machine, 1, "start")[0])
    assert seen - {"start"}
    assert {finding.rule for finding in machine.findings} >= {"pad-clock-too-fast", "pad-clock-after-latch"}


def test_a_moved_status_bit_gives_one_code_without_end():
    """The program's bit floats and keeps the 1 of $7F, the address byte that was last on the bus."""
    machine = keyboard_tester(EXHIBITS / "status-bit-moved")
    machine.keys.press("a")
    machine.run(seconds=0.1)
    machine.keys.release("a")
    machine.run(seconds=0.3)
    shown = codes(machine)
    assert len(shown) >= 65  # all lines but the one cleared for the next codes
    assert set(shown) == {"1C"}


def test_a_backward_latch_repeats_codes_and_loses_releases():
    machine = keyboard_tester(EXHIBITS / "keyboard-latch-backwards")
    machine.keys.type("a")
    machine.run(seconds=0.2)
    assert codes(machine).count("1C") > 1
    assert codes(machine) != ["AA", "1C", "F0", "1C"]
    sound = keyboard_tester(ROOT / "demo" / "keyboard-test")
    sound.keys.type("a")
    sound.run(seconds=0.2)
    assert codes(sound) == ["AA", "1C", "F0", "1C"]


@pytest.mark.parametrize("path", sorted(EXHIBITS.glob("*/machine.toml")), ids=lambda path: path.parent.name)
def test_every_exhibit_says_what_is_wrong_and_what_is_seen(path):
    lines = path.read_text().splitlines()
    assert lines[0].startswith("# ")
    assert any(line.startswith("# Seen on the tester: ") for line in lines)
