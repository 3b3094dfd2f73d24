"""The keyboard card as a whole: wiring of its registers, times of the line, faults of receivers, promises of the card.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-12, 4-13: frame and lines.
    [HP] Hewlett-Packard, Technical Reference Guide (dx7300), C.2.1: clock period 60, 80, 100 us.
    [XT] IBM, Technical Reference, Personal Computer XT (5160), 1986, p. 4-25: self-test.
"""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.keyboard.card import Keyboard
from simkit_cards.ps2.scan_codes import CHARACTERS, KEYS

from simkit.contract.errors import SimkitError
from simkit.testing.contract import check_contract

STATUS, DATA = 0, 1
MS = 2_000  # cycles at 2 MHz


@pytest.fixture
def keyboard(card_bench):
    """Makes a card whose self-test takes 1 ms, past it, with its AA read unless the keyboard cannot say it."""

    def make(**options):
        options = {"self_test_ms": 1, "spare_bits": "low", **options}
        bench = card_bench(Keyboard, lines={"INT": "IRQ"}, **options)
        bench.to(4 * MS)
        codes_of(bench, 2)
        return bench

    return make


def codes_of(bench, ms):
    """What a patient program reads in some milliseconds."""
    codes = []
    end = bench.cycle + ms * MS
    ready = 1 << max(bench.settings.ready_bit, 0)
    while bench.cycle < end:
        if bench.read(STATUS) & ready:
            codes.append(bench.read(DATA, bench.cycle + 20))
            bench.read(STATUS, bench.cycle + 40)
        bench.to(bench.cycle + 40)
    return bytes(codes).hex(" ").upper()


def tap(bench, *names, hold=8):
    for name in names:
        bench.happens("press", name)
        bench.happens("release", name, at=bench.cycle + hold * MS)
        yield codes_of(bench, 2 * hold)


def test_typed_keys_arrive_as_make_and_break(keyboard):
    """Codes of A, Left, Print Screen as in the code table's sources."""
    assert list(tap(keyboard(), "a", "left", "print screen")) == [
        "1C F0 1C", "E0 6B E0 F0 6B", "E0 12 E0 7C E0 F0 7C E0 F0 12",
    ]  # fmt: skip


def test_a_self_test_code_comes_after_half_a_second(card_bench):
    """[XT] p. 4-25: 300 to 500 ms to AA; the default is 500."""
    bench = card_bench(Keyboard, spare_bits="low")
    ready_at = bench.port.ready_at(0)
    assert 1_000_000 <= ready_at <= 1_000_002
    bench.to(ready_at + MS // 2)
    assert not bench.read(STATUS) & 1
    bench.to(ready_at + 2 * MS)
    assert bench.read(STATUS) & 1
    assert bench.read(DATA) == 0xAA


@pytest.mark.parametrize("bit_us", [60, 80, 100])
def test_a_key_reaches_the_register_after_eleven_bits(keyboard, bit_us):
    """[AT] p. 4-12: eleven bits; [HP] clock period. From key to ready: ten periods, the set-up of the first bit,
    and the controller's handler, push and update (55 instructions, 11 us); not a cycle before the eleventh clock."""
    bench = keyboard(bit_us=bit_us, jitter_percent=0)
    pressed = bench.cycle + 1
    bench.happens("press", "a", at=pressed)
    while not bench.read(STATUS) & 1:
        pass
    us = (bench.cycle - pressed) / 2
    assert 10 * bit_us + 15 <= us <= 10 * bit_us + 15 + 11 + 4


def arrival(bench):
    """Cycle in which the next code is in the ring."""
    count = bench.card.controller.ring.pushed
    while bench.card.controller.ring.pushed == count:
        bench.to(bench.cycle + 1)
    return bench.cycle


@pytest.mark.parametrize("bit_us", [60, 80, 100])
@pytest.mark.parametrize("busy", [False, True])
def test_a_reply_comes_after_the_request_twelve_bits_of_the_command_and_its_own_frame(keyboard, bit_us, busy):
    """A. Chapweske, The PS/2 Mouse/Keyboard Protocol, 2003: the host holds the clock low for 100 us; start, eight data
    bits, parity, stop and the acknowledge follow. A command waits for the end of a frame under way and its gap."""
    bench = keyboard(can_send=True, bit_us=bit_us, jitter_percent=0)
    pressed = bench.cycle + 1
    bench.happens("press", "a", at=pressed)
    code = arrival(bench) - pressed
    bench.to(bench.cycle + 4 * MS)
    free_at = bench.cycle
    if busy:
        bench.happens("release", "a")
        bench.to(bench.cycle + 50)
        free_at += (11 * bit_us + 200) * 2
        written = bench.cycle
        bench.write(DATA, 0xEE)
        assert written < free_at
        arrival(bench)  # F0
    else:
        bench.write(DATA, 0xEE)
    assert abs(arrival(bench) - free_at - (100 + 12 * bit_us) * 2 - code) <= 6


def test_a_promise_of_a_steady_read_reaches_up_to_the_next_event_of_the_line(keyboard):
    bench = keyboard()
    bench.happens("press", "a")
    bench.to(bench.cycle + 10)
    promised = bench.card.steady_until(STATUS, bench.cycle)
    assert bench.cycle + 1_000 < promised < arrival(bench) < promised + 60


def test_bytes_follow_each_other_at_the_speed_of_the_line(keyboard):
    """Eleven bits of 80 us and the gap of 200 us: the second and third byte take two more frame times."""
    bench = keyboard(jitter_percent=0)
    bench.happens("press", "left")
    bench.happens("press", "a")
    arrivals = [arrival(bench) for _ in range(3)]
    gaps = [later - earlier for earlier, later in itertools.pairwise(arrivals)]
    assert all(2 * 1_080 <= gap <= 2 * 1_090 for gap in gaps)


def test_gap_between_typed_events_covers_the_longest_of_them(keyboard):
    """Three bytes of 1080 us, and the controller's work: typing at that pace fills nothing."""
    bench = keyboard()
    assert 3 * 1_080 * 2 <= bench.port.gap_cycles <= 3 * 1_100 * 2


@pytest.mark.parametrize(
    ("options", "names", "driven"),
    [
        ({}, ("ready", "overflow", "parity_fault", "", "", "", "", ""), 0xFF),
        ({"spare_bits": "float"}, ("ready", "overflow", "parity_fault", "", "", "", "", ""), 0x07),
        ({"spare_bits": "float", "ready_bit": 7}, ("", "overflow", "parity_fault", "", "", "", "", "ready"), 0x86),
        ({"spare_bits": "float", "overflow_bit": -1, "fault_bit": -1, "interrupt_bit": 6},
         ("ready", "", "", "", "", "", "interrupt", ""), 0x41),
    ],
)  # fmt: skip
def test_the_register_table_follows_the_wiring(keyboard, options, names, driven):
    bench = keyboard(**options)
    status = Keyboard.registers(bench.settings)[0]
    assert (status.bits, status.driven) == (names, driven)
    bench.happens("press", "a")
    bench.to(bench.cycle + 2 * MS)
    for name, flag in (("ready", True), ("overflow", False), ("interrupt", True)):
        if name in names:
            assert bool(bench.read(STATUS) >> names.index(name) & 1) is flag


def test_bits_that_are_not_wired_keep_the_open_bus(card_bench):
    """A '541 whose spare inputs drive nothing: the byte before stays on the lines."""
    bench = card_bench(Keyboard)
    bench.write(DATA, 0xF8)
    assert bench.read(STATUS) == 0xF8


def test_polarity_of_the_status_bits(card_bench):
    bench = card_bench(Keyboard, ready_active="low", flags_active="low", spare_bits="low", self_test_ms=1)
    assert bench.read(STATUS) == 0b111
    bench.to(4 * MS)
    assert bench.read(STATUS) == 0b110


def test_two_status_bits_on_one_line_are_refused(card_bench):
    with pytest.raises(SimkitError, match="ready_bit and overflow_bit are both 3") as caught:
        card_bench(Keyboard, ready_bit=3, overflow_bit=3)
    assert caught.value.field == "overflow_bit"


def test_an_unknown_key_in_a_chord_is_refused_with_near_names(card_bench):
    with pytest.raises(SimkitError, match="'spce' is not a key") as caught:
        card_bench(Keyboard, blocked_chords="up+left+spce")
    assert "space" in str(caught.value)


def test_a_crystal_that_is_none_is_refused(card_bench):
    with pytest.raises(SimkitError, match="stands still") as caught:
        card_bench(Keyboard, crystal="0 MHz")
    assert caught.value.field == "crystal"


def test_a_blocked_chord_loses_its_third_key(keyboard):
    """Reported: two arrows and Space (matrix blocking)."""
    bench = keyboard(blocked_chords="up+left+space")
    for name in ("up", "left", "space"):
        bench.happens("press", name)
    assert codes_of(bench, 12) == "E0 75 E0 6B"


def test_a_parity_fault_is_flagged_and_the_byte_dropped_or_kept(keyboard):
    """[AT] p. 4-12: odd parity. Every frame is bad here."""
    bench = keyboard(parity_faults_per_mille=1000)
    bench.happens("press", "a")
    assert codes_of(bench, 4) == ""
    assert bench.read(STATUS) == 0b100
    kept = keyboard(parity_faults_per_mille=1000, bad_frames="keep")
    kept.happens("press", "a")
    (code,) = bytes.fromhex(codes_of(kept, 4))
    assert (code ^ 0x1C).bit_count() == 1


def test_the_fault_flag_goes_with_the_next_code(keyboard):
    bench = keyboard(parity_faults_per_mille=400, seed=3)
    flagged = cleared = 0
    for name in "asdfghjkl" * 3:
        list(tap(bench, name))
        flag = bench.read(STATUS) >> 2 & 1
        flagged += flag
        cleared += not flag
    assert flagged
    assert cleared


@pytest.mark.parametrize("pulses", [1, 2, 3])
def test_a_notch_in_the_end_of_frame_pulse_gives_a_key_several_times(keyboard, pulses):
    """Reported for a receiver built of shift registers: one frame, one to three storage pulses and interrupts."""
    bench = keyboard(frame_pulses=pulses)
    bench.happens("press", "a")
    assert codes_of(bench, 4) == " ".join(["1C"] * pulses)
    assert bench.card.controller.ring.pushed == 2 * pulses  # the AA too


def test_taking_data_while_it_changes_gives_random_wrong_codes_of_the_right_length(keyboard):
    """Reported: sampling on the edge at which the data line moves; each bit is the old or the new one. The parity bit
    notices about half of them."""
    seen = []
    for seed in range(30):
        bench = keyboard(changing_data=True, bad_frames="keep", seed=seed)
        bench.happens("press", "a")
        seen.append(codes_of(bench, 4))
    assert all(len(code.split()) == 1 for code in seen)
    assert sum(code != "1C" for code in seen) > 10


def test_a_lost_break_leaves_a_key_down_until_it_is_pressed_again(keyboard):
    """Reported: modifiers stick when one byte is lost."""
    lost = 0
    for seed in range(12):
        bench = keyboard(lost_frames_per_mille=300, seed=seed)
        (codes,) = tap(bench, "left shift")
        lost += codes != "12 F0 12"
        assert set(codes.split()) <= {"12", "F0"}
    assert lost


def test_a_silent_keyboard_gives_no_aa(card_bench):
    """Reported: a USB-only board on a passive adapter."""
    bench = card_bench(Keyboard, self_test_ms=1, silent=True, spare_bits="low")
    bench.to(10 * MS)
    bench.happens("press", "a")
    assert codes_of(bench, 10) == ""


def test_an_acknowledging_keyboard_raises_parity_faults_for_ever(keyboard):
    """Reported on the classiccmp cctech list, 8 June 2010: FA with wrong parity until the host says something."""
    bench = keyboard(acknowledges=True, can_send=True)
    assert codes_of(bench, 6) == ""
    assert bench.read(STATUS) & 0b100
    bench.write(DATA, 0xF4)
    assert codes_of(bench, 8) == "FA"


@pytest.mark.parametrize(
    ("typed", "expected"),
    [("Seed 7\n", "Seed 7\r"), ("a?B", "a?B")],
)
def test_a_controller_that_decodes_delivers_characters(keyboard, typed, expected):
    bench = keyboard(delivers="characters")
    text = b""
    for character in typed:
        for name in CHARACTERS[character]:
            bench.happens("press", name, at=bench.cycle + 1)
            text += bytes.fromhex(codes_of(bench, 4))
        for name in reversed(CHARACTERS[character]):
            bench.happens("release", name, at=bench.cycle + 1)
            text += bytes.fromhex(codes_of(bench, 4))
    assert text.decode() == expected


def test_commands_go_out_and_replies_come_back_where_the_board_can_send(keyboard):
    """Echo; indicators: FA and FA; LED argument kept. HelpPC 2.10, 1991."""
    bench = keyboard(can_send=True)
    for byte, reply in ((0xEE, "EE"), (0xED, "FA"), (0x07, "FA")):
        bench.write(DATA, byte)
        assert codes_of(bench, 8) == reply
    assert bench.card.line.device.lamps == 7


def test_a_command_on_top_of_another_is_reported(keyboard):
    bench = keyboard(can_send=True)
    bench.write(DATA, 0xED)
    bench.write(DATA, 0x02)
    assert [finding.rule for finding in bench.findings] == ["keyboard-command-lost"]


def test_a_write_to_a_board_that_cannot_send_is_reported(keyboard):
    bench = keyboard()
    bench.write(DATA, 0xED)
    assert [finding.rule for finding in bench.findings] == ["write-to-keyboard"]


def test_a_keyboard_reset_in_a_session_says_aa_again(keyboard):
    """[XT] p. 4-25: FA, then 300 to 500 ms (here 1 ms), then AA."""
    bench = keyboard(can_send=True)
    bench.write(DATA, 0xFF)
    assert codes_of(bench, 12) == "FA AA"


def test_seven_keys_released_at_once_overflow_a_small_ring(keyboard):
    """Reported: 14 bytes and more into 16 places with a slow reader; one key stays down."""
    bench = keyboard(ring_slots=16)
    names = "asdfghj"
    for name in names:
        bench.happens("press", name)
    codes_of(bench, 20)
    for name in (*names,):
        bench.happens("release", name)
    bench.happens("press", "k")
    bench.to(bench.cycle + 40 * MS)
    assert not bench.read(STATUS) & 2  # 15 codes: just
    bench.happens("release", "k")
    bench.to(bench.cycle + 10 * MS)
    assert bench.read(STATUS) & 2


def test_words_tell_what_is_inside(keyboard):
    bench = keyboard()
    bench.happens("press", "left shift")
    bench.to(bench.cycle + 2 * MS)
    assert bench.card.words(bench.cycle) == [
        "1 of 15 codes wait; the port shows $12, not taken",
        "frames 2, codes in 2, read 1, lost 0",
        "keys down: left shift",
    ]


WIRINGS = [
    pytest.param({}, marks=pytest.mark.slow),  # as every installed card: tests/testing/test_contract.py
    {"interrupt": "pulse", "advance": "self-clearing", "can_send": True},
    {"overflow": "hold-clock", "ring_slots": 4, "advance": "every-poll"},
    {"overflow": "drop-oldest", "ring_form": "counted", "ring_slots": 2, "checks_empty": False},
    {"overflow": "replace-last", "whole_sequences": True, "reset_reaches_controller": True, "glitch_percent": 30},
    {"delivers": "characters", "acknowledges": True, "parity_faults_per_mille": 300, "frame_pulses": 3},
    {"changing_data": True, "lost_frames_per_mille": 200, "clears_port": True, "torn_window_ns": 500},
]


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3, 4))])
@pytest.mark.parametrize("options", WIRINGS)
def test_every_wiring_keeps_the_contract(options, seed):
    """Peek without effect, lazy as eager, loading as going on."""
    report = check_contract(Keyboard, {"self_test_ms": 1, **options}, seed=seed, steps=25, damaged=False)
    assert report.problems == ()


@settings(deadline=None, max_examples=30)
@given(options=st.sampled_from([{}, *WIRINGS[1:]]), seed=st.integers(0, 1000))
def test_promises_of_steady_reads_are_kept(card_bench, options, seed):
    """Between accesses and key events a promised byte stays, and its read changes nothing."""
    rng = random.Random(seed)
    bench = card_bench(Keyboard, seed=seed, self_test_ms=1, **options)
    names = [key.name for key in KEYS]
    bench.to(2 * MS)
    for _ in range(60):
        for _ in range(rng.randrange(3)):
            bench.happens(rng.choice(("press", "release")), rng.choice(names))
        bench.to(bench.cycle + rng.choice((1, 7, 60, 900)))
        offset = rng.randrange(2)
        value = bench.read(offset)
        until = bench.card.steady_until(offset, bench.cycle)
        state = bench.card.controller.latch.taken
        for _ in range(12):
            cycle = bench.cycle + rng.choice((1, 2, 30))
            if cycle >= until:
                break
            assert bench.read(offset, cycle) == value
            assert bench.card.controller.latch.taken is state
