"""The bank latch. Function tables of the 74HC573, 74HC574 and 74HC273 (from memory)."""

import pytest
from simkit_cards.memory.bank_latch import BankLatch

from simkit.backplane.cycle import Kind
from simkit.testing.bench import Bench


def outputs(bench):
    return sum(bench.level(f"Q{n}") << n for n in range(8))


def test_the_outputs_take_the_byte_and_keep_it():
    """Write 05; whatever is on the bus later, Q stays 05."""
    bench = Bench(BankLatch)
    bench.write(0, 0x05)
    assert outputs(bench) == 0x05
    bench.read(0)
    assert outputs(bench) == 0x05


def test_it_cannot_be_read_back():
    """No data outputs to the bus: the open bus keeps its byte."""
    bench = Bench(BankLatch)
    bench.write(0, 0x05)
    bench._cpu.last = 0x5A
    assert bench.read(0) == 0x5A


def test_power_up_value_follows_the_seed_and_reset_leaves_it():
    """A 573 or 574 has no clear pin: unknown at power-up, untouched by RESET."""
    values = {outputs(Bench(BankLatch, seed=seed)) for seed in range(20)}
    assert len(values) > 10
    bench = Bench(BankLatch, seed=3)
    before = outputs(bench)
    bench.reset()
    assert outputs(bench) == before


def test_a_273_is_cleared_by_reset():
    bench = Bench(BankLatch, {"part": "74HC273"})
    assert outputs(bench) == 0
    bench.write(0, 0xFF)
    bench.reset()
    assert outputs(bench) == 0


def test_output_enable_high_leaves_the_pull_ups():
    bench = Bench(BankLatch)
    bench.write(0, 0x05)
    bench.pull("OE", True)
    assert outputs(bench) == 0xFF
    bench.pull("OE", False)
    assert outputs(bench) == 0x05


@pytest.mark.parametrize(("part", "garbage", "quiet"), [("74HC573", True, False), ("74HC574", True, True)])
def test_only_the_transparent_part_shows_what_is_on_the_bus_before_data_are_stable(part, garbage, quiet):
    """A transparent latch follows D while enabled; an edge-triggered one changes once, straight to the new byte."""
    bench = Bench(BankLatch, {"part": part, "shows_garbage": garbage})
    moves = []
    for n in range(8):
        bench._bus.nets.observe(f"P_Q{n}", lambda line, cycle: moves.append(line.name))
    bench.write(0, 0x00)
    moves.clear()
    for _ in range(20):
        bench.write(0, 0x00)
    assert (not moves) is quiet
    assert outputs(bench) == 0


def test_a_new_byte_counts_from_the_cycle_after_the_write():
    bench = Bench(BankLatch)
    bench.write(0, 0x00)
    cycle = bench.cycle
    bench.begin()
    bench._bus.accesses.write(0, 0xFF, cycle, Kind.DATA)
    line = bench._bus.nets.line("P_Q0")
    assert not line.level_at(cycle)
    assert line.level_at(cycle + 1)
