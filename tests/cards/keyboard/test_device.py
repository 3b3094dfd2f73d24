"""The PS/2 keyboard itself: self-test, buffer, repeat, commands, frames.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-3, 4-4, 4-7, 4-12, 4-13.
    [XT] IBM, Technical Reference, Personal Computer XT (5160), 1986, pp. 4-24 to 4-27.
    [EMC] EMC, EKK8011 product specification V1.0, 2003, p. 9.
    [HPC] D. Jurgens, HelpPC 2.10, 1991, Keyboard Commands and Responses.
    [BR] A. Brouwer, Keyboard scancodes, 9.1 to 9.6.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.ps2.device import Ps2Device, Ps2Traits, typematic_us
from simkit_cards.ps2.frame import FrameReceiver, frame_of
from simkit_cards.ps2.scan_codes import KEYS

from simkit.contract import load_data, to_data

READY = 500_000


def a_device(**traits) -> Ps2Device:
    device = Ps2Device(Ps2Traits(**traits))
    device.run(READY, inhibited=False)
    return device


def drain(device: Ps2Device, now: int = READY) -> str:
    codes = []
    while len(codes) < 40 and (code := device.next_code()) is not None:
        codes.append(code)
        device.sent(now)
    return bytes(codes).hex(" ").upper()


def ready_device(**traits) -> Ps2Device:
    device = a_device(**traits)
    assert drain(device) == "AA"
    return device


def test_the_self_test_ends_with_aa_and_keys_are_dead_before():
    """[XT] p. 4-25: 300 to 500 ms, then AA."""
    device = Ps2Device(Ps2Traits())
    device.press("a", 100_000)
    device.release("a", 110_000)
    assert device.next_code() is None
    assert device.due() == READY
    device.run(READY, inhibited=False)
    assert drain(device) == "AA"


def test_a_failed_self_test_sends_fc_and_stops_scanning():
    """[XT] p. 4-26."""
    device = a_device(self_test_passes=False)
    assert drain(device) == "FC"
    device.press("a", READY)
    assert drain(device) == ""


def test_a_silent_keyboard_never_says_a_word():
    device = a_device(silent=True)
    device.press("a", READY)
    device.command(0xEE, READY)
    assert device.next_code() is None
    assert device.due() is None


def test_an_acknowledging_keyboard_repeats_fa_with_wrong_parity_until_a_command():
    """Reported on the classiccmp cctech list, 8 June 2010."""
    device = Ps2Device(Ps2Traits(acknowledges=True))
    device.run(READY, inhibited=False)
    assert device.next_code() == 0xAA
    device.sent(READY)
    for _ in range(5):
        assert device.next_code() == 0xFA
        assert device.wrong_parity
        device.sent(READY)
    device.command(0xEE, READY)
    assert drain(device) == "EE"


def test_the_seventeenth_byte_becomes_the_overrun_code_and_later_keys_are_lost():
    """[AT] p. 4-3: 16 bytes; a sequence fits whole or not at all: [XT] p. 4-24."""
    device = ready_device()
    for key in KEYS[:5]:
        device.press(key.name, READY)  # escape, f1 to f4: 5 bytes
    for key in KEYS[:5]:
        device.release(key.name, READY)  # 10 more
    device.press("left", READY)  # two bytes do not fit into one place
    device.press("a", READY)  # the overrun code stands at the end: lost
    assert drain(device) == "76 05 06 04 0C F0 76 F0 05 F0 06 F0 04 F0 0C 00"
    device.press("b", READY)
    assert drain(device) == "32"


def test_sixteen_bytes_fit_exactly():
    """[AT] p. 4-3."""
    device = ready_device()
    names = [key.name for key in KEYS if len(key.make) == 1][:17]
    for name in names[:16]:
        device.press(name, READY)
    assert len(drain(device).split()) == 16
    for name in names:
        device.release(name, READY)
    codes = drain(device).split()
    assert codes[-1] == "00"
    assert len(codes) == 17


def test_replies_take_no_place_in_the_buffer_and_go_first():
    """[XT] p. 4-24."""
    device = ready_device()
    names = [key.name for key in KEYS if len(key.make) == 1][:16]
    for name in names:
        device.press(name, READY)
    device.command(0xEE, READY)
    codes = drain(device).split()
    assert codes[0] == "EE"
    assert len(codes) == 17
    assert "00" not in codes


def test_a_held_key_repeats_after_500_ms_at_10_9_a_second():
    """[XT] p. 4-24: defaults; period by [AT] p. 4-7: (8 + 3) x 2 x 4.17 ms = 91.74 ms."""
    device = ready_device()
    device.press("a", READY)
    assert drain(device) == "1C"
    moments = []
    for _ in range(3):
        moments.append(device.due())
        device.run(moments[-1], inhibited=False)
        assert drain(device) == "1C"
    assert moments == [READY + 500_000, READY + 591_740, READY + 683_480]


def test_only_the_last_key_repeats_and_its_release_ends_it():
    """[AT] p. 4-4."""
    device = ready_device()
    device.press("a", READY)
    device.press("b", READY + 1_000)
    drain(device)
    device.run(device.due(), inhibited=False)
    assert drain(device) == "32"
    device.release("b", READY + 700_000)
    assert drain(device) == "F0 32"
    assert device.due() is None


def test_pause_does_not_repeat_and_sends_nothing_on_release():
    """[XT] p. 4-24, [BR] 9.2."""
    device = ready_device()
    device.press("pause", READY)
    device.release("pause", READY + 10)
    assert drain(device) == "E1 14 77 E1 F0 14 F0 77"
    assert device.due() is None


def test_while_inhibited_a_held_key_stores_only_its_first_make():
    """[AT] p. 4-4: typematic cannot overflow the buffer."""
    device = ready_device()
    device.press("a", READY)
    for _ in range(50):
        device.run(device.due(), inhibited=True)
    device.release("a", device.due())
    assert drain(device) == "1C F0 1C"


RATES = (
    "30.0 26.7 24.0 21.8 20.0 18.5 17.1 16.0 15.0 13.3 12.0 10.9 10.0 9.2 8.6 8.0 "
    "7.5 6.7 6.0 5.5 5.0 4.6 4.3 4.0 3.7 3.3 3.0 2.7 2.5 2.3 2.1 2.0"
)


@pytest.mark.parametrize(("argument", "rate"), list(enumerate(float(rate) for rate in RATES.split())))
def test_typematic_rates(argument, rate):
    """[AT] p. 4-7, table and formula; for 0E the formula (8.56), as the printed 8.0 stands twice."""
    delay, period = typematic_us(argument)
    assert 1e6 / period == pytest.approx(rate, abs=0.06)
    assert delay == 250_000
    assert typematic_us(argument | 0x60)[0] == 1_000_000


@pytest.mark.parametrize(
    ("commands", "replies"),
    [
        ("EE", "EE"),  # [EMC], [HPC]
        ("ED 02", "FA FA"),
        ("ED EE", "FA EE"),  # a new command drops ED. [HPC]
        ("F2", "FA AB 83"),  # [BR] 9.3
        ("F0 00", "FA FA 02"),  # [HPC]
        ("F0 01 F0 00", "FA FA FA FA 01"),
        ("F3 20", "FA FA"),
        ("F4", "FA"),
        ("F5", "FA"),
        ("F6", "FA"),
        ("F7", "FA"),
        ("FD", "FA"),
        ("EF", "FE"),  # invalid. [EMC]
        ("F1", "FE"),
        ("12", "FE"),
        ("EE FE", "EE EE"),  # resend
        ("EE EF FE", "EE FE EE"),  # FE, the keyboard's own request, is no code to be sent again
    ],
)
def test_replies_to_host_commands(commands, replies):
    """F5: an electronics newsgroup's list of host commands; F6, F7 to FD from memory; others as marked."""
    device = ready_device()
    seen = []
    for byte in bytes.fromhex(commands):
        device.command(byte, READY)
        seen.append(drain(device))
    assert " ".join(filter(None, seen)) == replies


def test_a_reset_is_acknowledged_then_tested_then_aa():
    """[XT] p. 4-25: 300 to 500 ms after the acknowledge."""
    device = ready_device()
    device.command(0xFF, READY)
    assert device.next_code() == 0xFA
    device.sent(READY + 1_000)
    assert device.next_code() is None
    assert device.due() == READY + 1_000 + 500_000
    device.run(device.due(), inhibited=False)
    assert drain(device) == "AA"


def test_disable_stops_scanning_until_enable():
    """F4: [AT] p. 4-7; F5: an electronics newsgroup's list of host commands."""
    device = ready_device()
    device.command(0xF5, READY)
    device.press("a", READY)
    device.release("a", READY)
    assert drain(device) == "FA"
    device.command(0xF4, READY)
    device.press("a", READY)
    assert drain(device) == "FA 1C"


def test_a_new_repeat_rate_counts_for_the_next_key():
    """[AT] p. 4-7: argument 00 is 250 ms and 30 a second."""
    device = ready_device()
    device.command(0xF3, READY)
    device.command(0x00, READY)
    drain(device)
    device.press("a", READY)
    first = device.due()
    device.run(first, inhibited=False)
    assert (first, device.due()) == (READY + 250_000, READY + 250_000 + 33_360)


def test_num_lock_told_by_the_host_changes_the_navigation_keys():
    """From memory (Microsoft, Keyboard Scan Code Specification 1.3a, 2000)."""
    device = ready_device()
    device.command(0xED, READY)
    device.command(0x02, READY)
    drain(device)
    device.press("up", READY)
    device.release("up", READY)
    assert drain(device) == "E0 12 E0 75 E0 F0 75 E0 F0 12"


def test_the_third_key_of_a_blocked_chord_is_not_reported():
    """Reported: two arrows and Space lose the third key (matrix blocking)."""
    device = ready_device(chords=(frozenset({"up", "left", "space"}),))
    for name in ("up", "left", "space"):
        device.press(name, READY)
    device.release("space", READY)
    device.release("up", READY)
    device.press("space", READY)
    assert drain(device) == "E0 75 E0 6B E0 F0 75 29"


FRAMES = {
    0x1C: "0 00111000 0 1", 0xF0: "0 00001111 1 1", 0xE0: "0 00000111 0 1", 0x5A: "0 01011010 1 1",
    0x76: "0 01101110 0 1", 0xAA: "0 01010101 1 1", 0xFA: "0 01011111 1 1", 0x00: "0 00000000 1 1",
    0xFF: "0 11111111 1 1",
}  # fmt: skip


@pytest.mark.parametrize(("byte", "bits"), list(FRAMES.items()))
def test_frames_on_the_line(byte, bits):
    """Start 0, low bit first, odd parity, stop 1: [AT] p. 4-12, worked out by hand."""
    assert "".join(map(str, frame_of(byte))) == bits.replace(" ", "")


@given(byte=st.integers(0, 255), wrong=st.integers(0, 10))
def test_the_receiver_takes_every_frame_and_notices_every_wrong_bit(byte, wrong):
    bits = frame_of(byte)
    receiver = FrameReceiver()
    assert [receiver.take(bit) for bit in bits][-1] == (byte, True)
    results = [receiver.take(bit ^ (place == wrong)) for place, bit in enumerate(bits)]
    assert results[-1] is not None
    assert not results[-1][1]


@settings(deadline=None, max_examples=60)
@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from(("press", "release", "command", "send", "wait")),
            st.sampled_from([key.name for key in KEYS]),
            st.sampled_from([0xED, 0xF0, 0xF3, 0xF4, 0xF5, 0xFE, 0xFF, 0x00, 0x02]),
        ),
        max_size=40,
    )
)
def test_a_loaded_device_goes_on_like_the_saved_one(steps):
    """State is plain JSON values, and it is all there is."""
    device, now = a_device(), READY
    copy = Ps2Device(Ps2Traits())
    for action, name, byte in steps:
        load_data(copy, json.loads(json.dumps(to_data(device))))
        for each in (device, copy):
            if action == "press":
                each.press(name, now)
            elif action == "release":
                each.release(name, now)
            elif action == "command":
                each.command(byte, now)
            elif action == "send" and each.next_code() is not None:
                each.sent(now)
            else:
                each.run(now + 300_000, inhibited=False)
        if action == "wait":
            now += 300_000
        assert to_data(copy) == to_data(device)


def test_a_repeat_waits_until_the_codes_before_it_are_out():
    """So that a slow host does not pile up repeats; the model's choice, in the spirit of [AT] p. 4-4."""
    device = ready_device()
    device.press("a", READY)
    for _ in range(10):
        device.run(device.due(), inhibited=False)
    assert drain(device) == "1C"
