"""The last instructions as people are told of them: loops folded, with what led into them, on both engines."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.check.image.astray import astray
from simkit.machine.told import Loop, Rounds, digits, folded, last_lines, newest

COUNTER = "A2FF9A A200 8610 CA D0FD E611 4C0A80"  # LDX #$FF, TXS, LDX #0, STX $10, DEX BNE, INC $11, JMP to itself
POLL = "A2FF9A AD0060 10FB 4C0380"  # LDA $6000, BPL: a register that stays as it is
BENCH = """\
name = "Lean-to"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "00xx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
[[card]]
slot = 3
kind = "buttons"
select = "0110 0000 0000 0000"
"""


@pytest.fixture(params=["exact", "auto"])
def lean_to(request, tmp_path):
    def build(code):
        rom = bytearray(b"\xff" * 0x8000)
        rom[: len(bytes.fromhex(code))] = bytes.fromhex(code)
        rom[0x7FFA:] = bytes.fromhex("008000800080")
        path = tmp_path / "machine.toml"
        path.write_text(BENCH.replace("buttons", "button-row"))
        return Machine.load(path, images={2: bytes(rom)}, engine=request.param)

    return build


def unfolded(told):
    """All addresses again."""
    return [pc for one in told for _, pc in (one.body * one.rounds if isinstance(one, Rounds) else (one,))]


@given(st.lists(st.integers(0, 3), max_size=60))
def test_what_is_folded_unfolds_to_the_same(addresses):
    told = folded(list(enumerate(addresses)))
    assert unfolded(told) == addresses
    for one in told:
        assert not isinstance(one, Rounds) or one.rounds >= 3
    assert newest(told, 1000) == told


def shown(told):
    return [" ".join(line.split()) for line in last_lines(told)]


def test_a_loop_is_told_once_with_what_led_into_it(lean_to):
    m = lean_to(COUNTER)
    m.run(cycles=15_000)
    assert shown(m.last_folded()) == [
        "7 $8000 LDX #$FF",
        "9 $8002 TXS",
        "11 $8003 LDX #$00",
        "13 $8005 STX $10",
        "16 $8007 DEX",
        "18 $8008 BNE $8007",
        "2 instructions, 256 times, up to cycle 1 293",
        "1 295 $800A INC $11",
        "1 300 $800C JMP $800A",
        "2 instructions, 1 713 times, up to cycle 14 996",
        "14 999 $800A INC $11",
    ]
    assert len(shown(m.last_folded(2))) == 4, "whole loops, and at least two lines"


def test_rounds_that_an_engine_only_counts_are_told_with_the_others(lean_to):
    """The core counts rounds of a loop that polls a register: both engines tell the same of it."""
    m = lean_to(POLL)
    m.run(cycles=100_000)
    m.run(cycles=100_000)
    (loop,) = (one for one in m.last_folded() if isinstance(one, Loop))
    told = shown(m.last_folded())
    if m.engine == "exact":
        assert "3 instructions, at least 2 730 times" in told[3]
    else:
        assert told[:5] == [
            "7 $8000 LDX #$FF", "9 $8002 TXS", "11 $8003 LDA $6000", "15 $8006 BPL $8003", "17 $8008 JMP $8003",
        ]  # fmt: skip
        assert f"3 instructions, {digits((loop.until - 17) // 9 + 1)} times" in told[5]


def test_the_instructions_before_the_first_finding_are_kept_and_those_of_later_ones_are_not(lean_to):
    """STA $9000 writes to the ROM in cycle 14, and again in every round."""
    m = lean_to("A2FF9A 8D0090 E610 4C0380")
    m.run(cycles=5_000)
    assert (m.first_found.rule, m.first_found.cycle) == ("write-to-rom", 14)
    assert shown(m.led_to_first_found()) == ["7 $8000 LDX #$FF", "9 $8002 TXS", "11 $8003 STA $9000"]
    state = m.save_state()
    m.power_cycle()
    assert (m.first_found, m.led_to_first_found()) == (None, [])
    m.load_state(state)
    assert m.first_found is None


@pytest.mark.parametrize(
    ("code", "where"),
    [
        ("A2FF9A 4C0090", "filler of the ROM at $9000 in cycle 14"),
        ("A2FF9A 4C0002", "memory that holds what it held at power-on at $0200 in cycle 14"),
        ("A2FF9A 4C0070", "no card at $7000 in cycle 14"),
    ],
)
def test_a_program_that_has_left_its_code_is_told_afterwards(lean_to, code, where):
    m = lean_to(code)
    m.run(cycles=10_000)
    told, led = astray(m)
    assert where in told
    assert "after the instruction at $8003" in told
    assert shown(led)[-1].startswith("11 $8003 JMP $")
    long_ago = lean_to(code)
    long_ago.run(cycles=100_000)
    assert "or earlier; `simkit check` tells" in astray(long_ago)[0]


@pytest.mark.parametrize("code", [COUNTER, POLL])
def test_a_program_in_its_code_is_not_told_to_have_left_it(lean_to, code):
    m = lean_to(code)
    assert astray(m) is None
    m.run(cycles=5_000)
    assert astray(m) is None


def test_a_program_that_was_put_into_memory_is_in_its_code(lean_to):
    m = lean_to("A2FF9A 4C0002")
    for number, byte in enumerate(bytes.fromhex("EAEAEAEA 4C0002")):
        m.poke(0x200 + number, byte)
    m.run(cycles=5_000)
    assert astray(m) is None
