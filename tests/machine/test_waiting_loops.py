"""Loops that wait run as fast as engines like, and end when the hardware lets them."""

import pytest

from simkit import Machine

WAIT_UNTIL_CLEAR = bytes.fromhex(
    "78 A2 00"  # 8000  SEI, LDX #0
    "A0 20"  # 8003  LDY #32
    "CA D0 FD"  # 8005  DEX, BNE 8005
    "88 D0 FA"  # 8008  DEY, BNE 8005: longer than a frame, so that the frame flag is set
    "AD 31 7F 30 FB"  # 800B  LDA $7F31, BMI 800B: until the frame flag is clear
    "E6 10 4C 03 80"  # 8010  INC $10, JMP 8003
)


def rom(program):
    return program.ljust(0x7FFA, b"\xea") + bytes([0x00, 0x80]) * 3


@pytest.mark.parametrize("engine", ["auto", "exact"])
def test_a_loop_that_waits_for_a_flag_which_its_own_read_clears_ends_at_the_next_read(engine):
    """A status read clears F: Texas Instruments, Video Display Processors Programmer's Guide, 1984, 5.2.1."""
    machine = Machine.load("demo:marlpit", images={2: rom(WAIT_UNTIL_CLEAR)}, engine=engine)
    machine.poke(0x10, 0)
    machine.run(cycles=2_000_000)
    assert machine.peek(0x10) == 48  # a round takes 41 103 cycles; held up to the next frame it would take 66 000
