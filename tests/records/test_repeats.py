"""Which records are repeats: RDY holds the access, and it comes once more.

W65C02S data sheet (Western Design Center), section 3, RDY: low holds the processor in its state, whatever the cycle;
NMOS part: not in a write cycle (MOS Technology, MCS6500 Hardware Manual, 1976, RDY).
"""

import pytest

from simkit.records.recorder import Recorder

# loop: lda $7f02, sta $40, inc $7f03, pha, pla, lda ($10),y, stx $7f00, jmp loop
PROGRAM = "AD027F 8540 EE037F 48 68 B110 8E007F 4C0080"
CYCLES = 4000
PARTS = pytest.mark.parametrize("cpu", ["6502", "65C02"])


def accesses(cycles):
    """Bus cycles without their number, their repeats left out."""
    mine = cycles[~cycles.is_repeat]
    columns = (mine.address, mine.kind, mine.is_write)
    return list(zip(*(column.tolist() for column in columns), strict=True))


@PARTS
@pytest.mark.parametrize("low", [1, 2, 3, 7])
def test_while_rdy_is_low_every_cycle_is_a_repeat_but_writes_of_the_nmos_part(
    small_machine, obedient, engine, cpu, low
):
    machine = small_machine(PROGRAM, engine, cpu=cpu, lines={"LOW": "RDY"})
    card = obedient(machine)
    card.slot.at(100, "hold")

    def happens(name, cycle):
        if name == "hold":
            card.slot.at(cycle + low, "go")
        else:
            card.slot.at(cycle + 5 + cycle % 11, "hold")  # anywhere in the program
        card.slot.pin("LOW").drive(False if name == "hold" else None, cycle)

    card.happens = happens
    with Recorder(machine, lines=("RDY",)) as recorder:
        machine.run(cycles=CYCLES)
    cycles, lines = recorder.cycles, recorder.lines
    level, moves = lines.first[0], dict(zip(lines.cycle.tolist(), lines.level.tolist(), strict=True))
    expected = []
    for cycle, is_write in zip(cycles.cycle.tolist(), cycles.is_write.tolist(), strict=True):
        level = moves.get(cycle, level)
        expected.append(not level and not (is_write and cpu == "6502"))
    assert cycles.cycle.tolist() == list(range(machine.cycle))
    assert cycles.is_repeat.tolist() == expected
    assert sum(expected) > CYCLES // 30


@PARTS
@pytest.mark.parametrize("wait", [0, 1, 5])
@pytest.mark.parametrize("wait_states", ["ready", "stretch"])
def test_wait_states_repeat_an_access_or_make_one_long_cycle_of_it(small_machine, engine, cpu, wait, wait_states):
    """Of the NMOS part a write is not held by RDY, so that its card must take the byte at once."""
    with Recorder(small_machine(PROGRAM, "exact", cpu=cpu)) as straight:
        straight._machine.run(cycles=CYCLES)
    machine = small_machine(PROGRAM, engine, cpu=cpu, wait=wait, wait_states=wait_states)
    with Recorder(machine) as recorder:
        machine.run(cycles=CYCLES)
    cycles = recorder.cycles
    number, address, is_write = (column.tolist() for column in (cycles.cycle, cycles.address, cycles.is_write))
    expected, at = [], 0
    for access, write in ((a, w) for a, _, w in accesses(straight.cycles)):
        waits = wait if access >> 8 == 0x7F else 0
        if wait_states == "stretch":
            at += waits
            expected.append((at, access, write, False))
        else:
            held = 0 if write and cpu == "6502" else waits
            expected += [(at + n, access, write, n < held) for n in range(held + 1)]
            at += held
        at += 1
    found = list(zip(number, address, is_write, cycles.is_repeat.tolist(), strict=True))
    assert found == expected[: len(found)]
    assert len(found) > CYCLES // 3
    assert cycles.is_repeat.any() == (wait > 0 and wait_states == "ready")
