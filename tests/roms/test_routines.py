"""Routines of the project's ROMs, called one by one through the pytest plug-in."""

import pytest

TITLE_SHOWN = "0.4s"
VRAM_NAMES = 14 * 1024  # roms/slug-watch/video.asm

pytestmark = pytest.mark.machine("demo/marlpit", boot=TITLE_SHOWN)


@pytest.mark.parametrize("value", [0x00, 0x09, 0x10, 0x42, 0x99])
def test_two_decimal_digits_become_two_characters(machine, value):
    result = machine.call("split_digits", a=value)
    assert (chr(result.a), chr(result.y)) == tuple(f"{value:02X}")


@pytest.mark.parametrize(("column", "row"), [(0, 0), (31, 0), (0, 1), (5, 7), (17, 8), (31, 23)])
def test_the_address_of_a_tile_is_32_a_row(machine, column, row):
    result = machine.call("name_address", x=0x11, y=0x22, memory={"COLUMN": column, "ROW": row})
    at = machine.labels["SOURCE"]
    assert result.written[at] | result.written[at + 1] << 8 == VRAM_NAMES + 32 * row + column
    assert (result.x, result.y) == (0x11, 0x22)


def test_a_result_is_shown_in_hexadecimal_as_builders_read_it(machine):
    result = machine.call("name_address", x=0x11, y=0x22, memory={"COLUMN": 5, "ROW": 7})
    at = machine.labels["SOURCE"]
    shown = repr(result)
    assert "x=0x11, y=0x22" in shown
    assert f"0x{at:04X}: 0x{result.written[at]:02X}" in shown


def test_chance_keeps_the_index_registers_and_does_not_soon_repeat(machine):
    memory = {"RANDOM": b"\x34\x12"}
    seen = []
    for _ in range(64):
        result = machine.call("chance", x=7, y=9, memory=memory)
        memory = None
        assert (result.x, result.y) == (7, 9)
        seen.append(machine.peek(machine.labels["RANDOM"], 2))
    assert len(set(seen)) == 64


def test_a_tile_is_queued_and_a_full_queue_is_left_alone(machine):
    names = machine.labels
    machine.call("queue_tile", a=0x5A, x=3, memory={"COLUMN": 1, "ROW": 2, "QUEUE_END": 0})
    assert machine.peek(names["QUEUE_END"]) == 1
    assert machine.peek(names["QUEUE_NAME"]) == 0x5A
    full = machine.call("queue_tile", a=0x5B, memory={"QUEUE_END": 64})
    assert machine.peek(names["QUEUE_END"]) == 64
    assert names["QUEUE_NAME"] + 64 not in full.written


@pytest.mark.parametrize("frames", [0x0000, 0x00FF, 0xFFFF])
def test_the_seed_of_chance_is_never_zero(machine, frames):
    machine.call("seed_chance", memory={"FRAME_COUNT": frames.to_bytes(2, "little")})
    assert machine.peek(machine.labels["RANDOM"], 2) != b"\x00\x00"


def test_the_title_looks_as_it_did(machine, golden):
    golden(machine.screen, "title")


@pytest.mark.machine("demo/keyboard-test", boot="0.2s")
@pytest.mark.parametrize(("code", "counted"), [(0x00, 1), (0xFF, 1), (0xAA, 0), (0xE0, 0)])
def test_codes_that_tell_of_lost_keys_are_counted(machine, code, counted):
    before = machine.peek(machine.labels["KEYS_LOST"])
    machine.call("key_take_code", a=code)
    assert machine.peek(machine.labels["KEYS_LOST"]) - before == counted


@pytest.mark.machine("demo/keyboard-test", boot="0.2s")
def test_pause_is_one_key_of_eight_codes(machine):
    """E1 14 77 E1 F0 14 F0 77: IBM, Personal System/2 Technical Reference, keyboard, scan code set 2."""
    machine.call("key_take_code", a=0xE1)
    for code in (0x14, 0x77, 0xE1, 0xF0, 0x14, 0xF0, 0x77):
        machine.call("key_take_code", a=code)
    assert machine.peek(machine.labels["KEY_SKIP"]) == 0
    assert machine.peek(machine.labels["KEYS_LOST"]) == 0


@pytest.mark.machine("demo/pad-test", boot="0.2s")
def test_a_pad_byte_is_turned_into_buttons_gone_down(machine):
    machine.pads[1].press("left")
    machine.run(seconds=0.002)
    machine.call("pads_read_one", x=0, memory={"PADS_HELD_1": 0})
    assert machine.peek(machine.labels["PADS_PRESSED_1"]) == 0x02  # PAD_LEFT in roms/marlpit.inc


@pytest.mark.machine("demo/bench", boot="0.05s")
def test_a_received_byte_goes_to_the_head_of_the_queue(machine):
    machine.serial.send(b"Z")
    machine.cpu.i = 4
    machine.run(seconds=0.002)
    result = machine.call("take", x=0x33, memory={"HEAD": 5})
    assert result.x == 0x33
    assert machine.peek(machine.labels["QUEUE"] + 5) == ord("Z")
    assert machine.peek(machine.labels["HEAD"]) == 6
