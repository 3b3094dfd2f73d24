"""Ctrl-C, which comes where it likes: it ends the run and leaves memory, registers and cycle those of one moment."""

import gc
import random
import signal
import sys

import pytest

PARTS = ("6502", "65C02")
pytestmark = pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="this system has no such timer")


@pytest.fixture
def pressed(monkeypatch):
    """Call it with something to do while somebody presses Ctrl-C; gives whether the press came out of it."""
    chance = random.Random(1)
    fired = []

    def handler(*_):
        fired.append(True)
        raise KeyboardInterrupt

    lost = []
    monkeypatch.setattr(sys, "unraisablehook", lambda unraisable: lost.append(str(unraisable.err_msg)))
    before = signal.signal(signal.SIGALRM, handler)
    gc.collect()
    gc.disable()  # what is raised where garbage is collected comes out of nothing at all

    def press(do):
        fired.clear()
        try:
            try:
                signal.setitimer(signal.ITIMER_REAL, chance.uniform(0.0001, 0.002))
                do()
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
        except KeyboardInterrupt:
            return True
        assert not fired, "it was pressed, and went lost"
        return False

    yield press
    assert not [message for message in lost if "callback" in message]
    gc.enable()
    signal.signal(signal.SIGALRM, before)


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
def test_a_program_in_plain_memory_goes_on_as_if_nobody_had_pressed(pair, pressed, part):
    # ldx #0 | loop: inc $0300,x, inc $0400,x, inx, bne loop, inc $40, jmp
    boards = [pair(part).with_program("A200 FE0003 FE0004 E8 D0F7 E640 4C00C0").core for _ in range(2)]
    for board in boards:
        board.cpu.run(100)
    one, other = (board.cpu for board in boards)
    times = sum(pressed(lambda: one.run(one.cycle + 3_000_000)) for _ in range(60))
    assert times > 30
    other.run(one.cycle)
    one.run(other.cycle)
    assert (one.cycle, one.pc, one.a, one.x, one.y, one.sp, one.p) == (
        other.cycle, other.pc, other.a, other.x, other.y, other.sp, other.p,
    )  # fmt: skip
    assert [bytes(ram._memory) for ram in boards[0].rams] == [bytes(ram._memory) for ram in boards[1].rams]
    assert one.last_notes() == other.last_notes()


def test_a_press_comes_through_soon_where_nothing_else_would_end_the_run(pair, pressed):
    board = pair("65C02").with_program("E8 4C00C0").core  # inx, jmp
    board.cpu.run(100)
    assert pressed(lambda: board.cpu.run(2_000_000_000))
    assert board.cpu.cycle < 500_000_000


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("recorded", [False, True])
def test_a_press_while_a_card_is_asked_is_never_lost_and_time_never_goes_back(pair, pressed, part, recorded):
    # loop: lda $7f01, sta $7d00, inc $40, inc $7f07, jmp loop
    board = pair(part, panel=True).with_program("AD017F 8D007D E640 EE077F 4C00C0").core
    if recorded:
        board.bus.record(lambda records: None)
    cpu = board.cpu
    times = 0
    for _ in range(100):
        before = cpu.cycle
        times += pressed(lambda: cpu.run(cpu.cycle + 60_000))
        assert cpu.cycle >= before
        cpu.pc = 0xC000  # the instruction was given up where it stood
    assert times > 60
    cycles = [entry[0] for entry in board.ticker.log]
    assert cycles == sorted(cycles)
    cpu.power_on()
    board.forget()
    cpu.run(2000)  # nothing is left of it
    assert len(board.ticker.log) > 100


class Pressed(KeyboardInterrupt):
    """Any kind of it."""


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("access", ["AD007F", "8D007F"])
def test_a_press_in_a_card_comes_out_as_what_it_was(pair, monkeypatch, part, access):
    lost = []
    monkeypatch.setattr(sys, "unraisablehook", lost.append)
    boards = pair(part).with_program(f"E8 {access} 4C00C0")
    for board in boards.both:
        board.trip(500, Pressed, False)
        with pytest.raises(Pressed):
            board.cpu.run(2000)
    boards.compare()
    boards.run(500)
    assert not lost
