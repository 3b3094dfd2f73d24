"""What the check finds where memory has wait states, and hours after power-on: the same, engine by engine."""

from functools import cache
from pathlib import Path

import pytest

from simkit.backplane.records import CYCLES
from simkit.check.watches.watch import Watch

SLOW = """
[[card]]
slot = 4
kind = "file:slow_memory.py:SlowRam"
select = "0111 1110 xxxx xxxx"
[card.settings]
size = 256
wait = {wait}
"""
# ldx #$ff, txs, lda #0, sta $7e00, sta $7e01, sta $7e02, cli | loop: lda #5, sta $7e10, three nops, lda $7e10,
# sta $0200, inx, txa, sta $7e11, lda $7e11, sta $0201, lda $7f00, pha, cpx #$60, bne loop, lda $0500, jmp loop
PROGRAM = (
    "A2FF 9A A900 8D007E 8D017E 8D027E 58 A905 8D107E EAEAEA AD107E 8D0002"
    "E8 8A 8D117E AD117E 8D0102 AD007F 48 E060 D0DF AD0005 4C0F80"
)
HANDLER = "48 AD037F A909 8D107E 8D117E 68 40"
"""pha, lda $7f03 (lets IRQ go), lda #9, sta $7e10, sta $7e11, pla, rti: it stores into cells of the main program."""
PERIOD = 333


@pytest.fixture(scope="module")
def make(small_machine, obedient):
    def made(engine, cpu, wait):
        machine = small_machine(
            PROGRAM,
            engine,
            handler=HANDLER,
            cpu=cpu,
            lines={"LOW": "IRQ"},
            gaps=("0111 1110 xxxx xxxx",),
            cards=SLOW.format(wait=wait),
            files=(Path(__file__).parents[1] / "slow_memory.py",),
        )
        card = obedient(machine)

        def told(is_write, offset, value, cycle):
            if offset == card.SPARE:
                card.slot.pin("LOW").drive(None, cycle)
            return 0x5A

        def happens(name, cycle):
            card.slot.pin("LOW").drive(False, cycle)
            card.slot.at(cycle + PERIOD, "tick")

        card.told, card.happens = told, happens
        return machine, card

    return made


def found(machine, card, begin=7):
    """Findings of a run whose program begins in a cycle, without the time up to it; their cycles as from there."""
    watch = Watch(machine)
    machine.run(cycles=7)  # the reset sequence
    machine.cpu.cycle = machine.cpu.began = begin
    card.slot.at(begin + PERIOD, "tick")
    for _ in range(4):
        machine.run(cycles=10_000)
    return [(one.rule, one.cycle - begin, one.pc, one.address, one.count, one.message) for one in watch.stop().all()]


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize("wait", [0, 1, 4])
def test_cells_that_handler_and_program_share_are_found_alike_in_memory_that_waits(make, cpu, wait):
    exact, auto = (found(*make(engine, cpu, wait)) for engine in ("exact", "auto"))
    assert exact == auto
    assert any(rule == "shared-cell" for rule, *_ in exact)


@pytest.fixture(scope="module")
def early(make):
    """What is found in the first moments, by engine; worked out once."""
    return cache(lambda engine: found(*make(engine, "65C02", 1), 7))


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize("begin", [CYCLES - 3000, CYCLES // 2 * 3 - 3000, 5 * CYCLES + 7, 2**41 - 9000])
def test_findings_hours_after_power_on_are_those_of_the_first_moments_and_bear_their_cycles(make, early, engine, begin):
    """Records count cycles modulo 2**35. What is found: a read of a cell never written, and a stack that is full."""
    late = found(*make(engine, "65C02", 1), begin)
    assert early(engine) == late
    cycles = {rule: cycle for rule, cycle, *_ in late}
    assert cycles.keys() == {"shared-cell", "never-written", "stack-wrap"}
    assert cycles["stack-wrap"] > cycles["never-written"] > 5000
