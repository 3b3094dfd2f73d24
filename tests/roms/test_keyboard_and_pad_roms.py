"""Keyboard tester, pad tester and catalogue on Marlpit, and with them the drivers for keyboard, pads and text."""

from __future__ import annotations

import itertools

import pytest
from simkit_cards.ps2.scan_codes import CHARACTERS, KEYS

from simkit import Machine

QUICK = {"typematic": 127, "self_test_ms": 20}  # no repeats by a held key, no long wait for the self-test
BOOT = "0.08s"  # until the keyboard listens and the screen is set up


@pytest.fixture
def boot(load_machine):
    """Function for a demo machine past its start."""

    def booted(name: str, engine: str = "auto", **options) -> Machine:
        return load_machine(f"demo/{name}", settings={3: {**QUICK, **options}}, engine=engine, boot=BOOT)

    return booted


def lines(machine: Machine) -> list[str]:
    return [line.rstrip() for line in machine.screen.text().splitlines()]


def typed(machine: Machine, text: str) -> None:
    machine.keys.type(text)
    machine.run(seconds=0.02 * len(text) + 0.05)


# Keyboard tester, keyboard driver by polling --------------------------------------------------------------------------


def codes(machine: Machine) -> str:
    return " ".join(" ".join(lines(machine)[4:10]).split())


def test_the_keyboard_tester_shows_make_and_break_codes_and_text(boot):
    """Codes of set 2: A. Brouwer, Keyboard scancodes, 9.2 and 9.6."""
    machine = boot("keyboard-test")
    assert codes(machine) == "AA"
    typed(machine, "aB\n?")
    shown = lines(machine)
    assert codes(machine) == "AA 1C F0 1C 12 32 F0 32 F0 12 5A F0 5A 12 4A F0 4A F0 12"
    assert shown[17:19] == ["aB", "?"]
    assert shown[13] == ""
    assert shown[23].endswith("codes 13 lost 00")


def test_the_keyboard_tester_lists_the_keys_that_are_held(boot):
    """Numbers are codes; extended keys lie $80 above: left shift 12, B 32, Left E0 6B."""
    machine = boot("keyboard-test")
    for name in ("left", "left shift", "b"):
        machine.keys.press(name)
        machine.run(seconds=0.02)
    assert lines(machine)[13].split() == ["12", "32", "EB"]
    machine.keys.release("left shift")
    machine.run(seconds=0.02)
    assert lines(machine)[13].split() == ["32", "EB"]
    assert "EB" not in lines(machine)[17]


def test_every_key_of_the_board_goes_down_and_comes_up_in_the_driver(boot):
    """After a press the driver holds exactly that key, after the release none; Pause tells no release."""
    machine = boot("keyboard-test")
    held = machine.labels["KEYS_HELD"]
    for key in KEYS:
        machine.keys.press(key.name)
        machine.run(seconds=0.018)
        down = machine.peek(held, 32)
        assert sum(byte.bit_count() for byte in down) == (0 if key.name == "pause" else 1), key.name
        machine.keys.release(key.name)
        machine.run(seconds=0.018)
        assert machine.peek(held, 32) == bytes(32), key.name
    assert machine.peek(machine.labels["KEYS_LOST"]) == 0


def test_every_character_can_be_typed_through_the_driver(boot):
    """US layout, by position (common practice). Each character is looked up where the driver leaves it."""
    machine = boot("keyboard-test")
    place = machine.labels["KEY_CHARACTER"]
    for character, names in CHARACTERS.items():
        for name in names:
            machine.keys.press(name)
            machine.run(seconds=0.006)
        assert chr(machine.peek(place)) == {"\n": "\r"}.get(character, character)
        for name in reversed(names):
            machine.keys.release(name)
            machine.run(seconds=0.006)


def test_caps_lock_ctrl_and_print_screen_in_the_driver(boot):
    """Caps Lock turns letters only; Ctrl makes control characters; Print Screen's fake shifts (E0 12) are no Shift."""
    machine = boot("keyboard-test")
    typed(machine, "a1")
    machine.keys.press("caps lock")
    machine.keys.release("caps lock")
    machine.run(seconds=0.03)
    assert lines(machine)[23].endswith("CAPS")
    typed(machine, "bC1")
    machine.keys.press("print screen")
    machine.run(seconds=0.03)
    typed(machine, "d")
    machine.keys.release("print screen")
    machine.keys.press("pause")
    machine.run(seconds=0.03)
    typed(machine, "e")
    assert lines(machine)[17] == "a1Bc1DE"
    machine.keys.press("right ctrl")
    machine.run(seconds=0.02)
    machine.keys.press("c")
    machine.run(seconds=0.02)
    assert machine.peek(machine.labels["KEY_CHARACTER"]) == 3


def test_the_polled_driver_says_that_codes_were_lost_and_lets_go_of_everything(boot):
    """A ring of two codes and nine keys pressed at once: the overflow bit, once, when the card is empty again."""
    machine = boot("keyboard-test", ring_slots=2)
    for name in ("left shift", *"asdfghjk"):
        machine.keys.press(name)
    machine.run(seconds=0.1)
    machine.keys.release("k")
    machine.run(seconds=0.1)
    assert machine.peek(machine.labels["KEYS_LOST"]) >= 1
    assert not lines(machine)[23].endswith("lost 00")


# Pad tester, pad driver -----------------------------------------------------------------------------------------------


def test_the_pad_tester_shows_both_sockets(boot):
    """Order A, B, Select, Start, Up, Down, Left, Right from bit 7, 0 = pressed: R. Price, blog post 3113."""
    machine = boot("pad-test")
    machine.pads[1].press("a")
    machine.pads[1].press("left")
    machine.pads[2].press("start")
    machine.run(seconds=0.05)
    shown = lines(machine)
    assert shown[3] == " Pad 1 reads 7D, in bits 01111101"
    assert shown[5].split() == ["held", "a", "left"]
    assert shown[7] == " presses 02, unlike 00"
    assert shown[11] == " Pad 2 reads EF, in bits 11101111"
    assert shown[13].split() == ["held", "start"]
    machine.pads[1].release("a")
    machine.run(seconds=0.05)
    shown = lines(machine)
    assert shown[5].split() == ["held", "left"]
    assert shown[6].split() == ["seen", "a", "left"]


def test_an_empty_socket_shows_nothing_held_and_a_pad_can_be_plugged_in(boot):
    machine = boot("pad-test")
    machine.pads[1].unplug()
    machine.run(seconds=0.05)
    assert lines(machine)[3].startswith(" Pad 1 reads FF")
    machine.pads[1].plug()
    machine.pads[1].press("b")
    machine.run(seconds=0.05)
    assert lines(machine)[5].split() == ["held", "b"]


def test_a_byte_that_changes_between_two_reads_is_noticed_and_settles(boot):
    """The press is moved cycle by cycle past the moment of the read; the card's byte is a round of 16 cycles behind."""
    machine = boot("pad-test")

    def next_round() -> int:
        machine.run(cycles=1000)  # past the other reads of this one
        return machine.run(access=machine.labels["PADS_PORT_2"])

    for early in range(40):
        first = next_round()
        period = next_round() - first
        machine.pads[2].press("up", at=machine.cycle + period - early)
        next_round()
        next_round()
        machine.pads[2].release("up")
        next_round()
    machine.run(seconds=0.05)
    assert 1 <= machine.peek(machine.labels["UNLIKE_2"]) <= 39
    assert lines(machine)[13] == " held"


# Catalogue, keyboard driver by interrupt ------------------------------------------------------------------------------


def listed(machine: Machine) -> list[str]:
    return [line.strip() for line in lines(machine)[2:18] if line]


def test_the_catalogue_takes_entries_lists_and_finds_them(boot):
    machine = boot("catalogue")
    assert listed(machine)[0] == "1  broad beans"
    assert len(listed(machine)) == 6
    typed(machine, "add Sweet peas, mixed\n")
    assert lines(machine)[20] == " added as number 7"
    typed(machine, "FIND PEA\n")
    assert listed(machine) == ["3  sugar peas", "7  Sweet peas, mixed"]
    assert lines(machine)[20] == " found: 2"
    typed(machine, "bean\n")
    assert listed(machine) == ["1  broad beans", "2  runner beans, red flower"]
    typed(machine, "list\n")
    assert len(listed(machine)) == 7
    typed(machine, "find xyzzy\n")
    assert listed(machine) == []


def test_the_catalogue_corrects_a_line_and_turns_pages(boot):
    machine = boot("catalogue")
    for number in range(20):
        typed(machine, f"add bed {number}\n")
    assert listed(machine)[-1] == "26  bed 19"
    typed(machine, "ligg\b\bst\n")
    assert listed(machine)[0] == "1  broad beans"
    machine.keys.press("down")
    machine.run(seconds=0.06)
    machine.keys.release("down")
    machine.run(seconds=0.06)
    assert listed(machine)[0] == "17  bed 10"
    typed(machine, "ab\x1bok")
    assert lines(machine)[22].startswith("Do: ok")


def test_a_line_and_an_entry_have_an_end(boot):
    machine = boot("catalogue")
    typed(machine, "y" * 60)
    assert lines(machine)[22:] == ["Do: " + "y" * 35]
    ground = machine.screen.pixels[-1, -1]
    assert (machine.screen.pixels[176:183, 240:245] != ground).all()  # the cursor, in the last column
    assert (machine.screen.pixels[184:] == ground).all()
    typed(machine, "\x1b")
    assert lines(machine)[22:] == ["Do:"]
    typed(machine, "add " + "x" * 60 + "\n")
    assert listed(machine)[-1] == "7  " + "x" * 31
    typed(machine, "add\n")
    assert lines(machine)[20] == " ADD what?"


# The highest typing rate ----------------------------------------------------------------------------------------------

TAPS = 200  # at 5 % too fast 16 bytes run full in 110
TAP_BYTES = 3  # make, and F0 with the make again


def byte_cycles(machine: Machine) -> int:
    """Eleven bits of 80 us and a gap of 200 us, at 2 MHz."""
    settings = machine.card(3).settings
    return (11 * settings.bit_us + settings.byte_gap_us) * 2


def tap_work(machine: Machine) -> int:
    """Cycles the program needs for one tap: what it does not spend on rounds of its loop that find nothing.

    Two rounds find something: the press and the release.
    """
    machine.run(label="main_loop")
    start = machine.cycle
    machine.run(label="main_loop")
    idle = machine.cycle - start
    machine.keys.press("q")
    machine.keys.release("q", at=machine.cycle + 8_000)
    start, rounds = machine.cycle, 0
    while machine.cycle < start + 30_000:
        machine.run(label="main_loop")
        rounds += 1
    return machine.cycle - start - (rounds - 2) * idle


def codes_lost_at(machine: Machine, interval: float, taps: int) -> int:
    """Tap letters at a steady pace, each held for half of it."""
    start = machine.cycle + 1000
    for number, name in zip(range(taps), itertools.cycle("qwertyuiop"), strict=False):
        machine.keys.press(name, at=int(start + number * interval))
        machine.keys.release(name, at=int(start + (number + 0.5) * interval))
    end = start + taps * interval + 100_000
    while machine.cycle < end:
        machine.run(cycles=int(end) + 1 - machine.cycle)
    return machine.peek(machine.labels["KEYS_LOST"])


def test_typing_at_the_rate_of_the_line_loses_nothing_and_a_step_above_is_flagged(boot):
    """The program needs less for a tap than its three bytes take on the line (3 x 1080 us), so the line sets the
    highest rate, 308 taps a second. At it nothing is lost; 5 % above, the keyboard's own 16 bytes run full and it says
    00 (IBM, Technical Reference, PC AT, 1984, p. 4-3), which the catalogue shows."""
    machine = boot("catalogue")
    line = TAP_BYTES * byte_cycles(machine)
    assert line == 6_480
    assert 500 < tap_work(machine) < line
    assert codes_lost_at(machine, line, TAPS) == 0
    machine = boot("catalogue")
    assert codes_lost_at(machine, 0.95 * line, TAPS) >= 1
    assert lines(machine)[20] == " keys were lost, please look again"


def test_on_a_slow_machine_the_drivers_loop_sets_the_highest_rate(load_machine):
    """At 200 kHz three bytes come in 648 cycles and the program needs twice that. The rate by its own work, measured
    with a full line, loses nothing; 3 % above, the driver's 64 places and the card's 15 run full, and it says so."""

    def full_line(machine: Machine) -> None:
        machine.run(seconds=0.6)
        for _ in range(36):  # from here on every tap costs the same
            machine.keys.press("x")
            machine.keys.release("x", at=machine.cycle + 2_000)
            machine.run(cycles=4_000)

    def slow_machine() -> Machine:
        slow = {"clock": "200 kHz", "settings": {3: QUICK}}
        return load_machine("demo/catalogue", boot=full_line, **slow)

    machine = slow_machine()
    work = tap_work(machine)
    assert work > 3 * 1080 * 0.2
    assert codes_lost_at(machine, 1.01 * work, 1500) == 0
    assert codes_lost_at(slow_machine(), 0.97 * work, 1500) >= 1


@pytest.mark.parametrize("slots", [2, 4])
def test_a_driver_slower_than_the_line_sets_the_highest_rate_and_overflow_is_flagged(boot, slots):
    """Interrupts kept off for longer than the ring has places: with 2 (4) slots 1 (3) codes wait, one more is lost."""
    for codes_held_off, expected in ((slots - 1, 0), (slots, 1)):
        machine = boot("catalogue", ring_slots=slots)
        machine.run(label="main_loop")
        machine.cpu.p |= 0x04  # a program that forbids interrupts
        names = "asdfgh"[:codes_held_off]
        for number, name in enumerate(names):
            machine.keys.press(name, at=machine.cycle + 1 + number * 4_000)
        machine.run(cycles=40_000)
        machine.run(label="main_loop")
        machine.cpu.p &= 0xFB
        machine.run(seconds=0.05)
        assert machine.peek(machine.labels["KEYS_LOST"]) == expected
        assert lines(machine)[22].startswith("Do: " + names[: slots - 1])


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_a_saved_machine_goes_on_typing_as_the_one_that_ran_through(boot, engine):
    """Saved inside a typed line, with codes on the wire, in both rings and still to come."""
    first, second = boot("catalogue", engine=engine), boot("catalogue", engine=engine)
    first.keys.type("add hollyhocks\nfind o")
    for cycles in (3_333, 20_001, 11_117):
        first.run(cycles=cycles)
        second.load_state(first.save_state())
        assert second.save_state() == first.save_state()
    for machine in (first, second):
        machine.run(cycles=900_000)
    assert first.cycle == second.cycle
    assert first.save_state() == second.save_state()
    assert listed(first)[-1] == "7  hollyhocks"
    assert lines(first) == lines(second)
