"""Random programs: invariants of the bus, and the quick functions against the careful ones."""

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.cpu.isa.opcodes import OPCODES
from tests.examples import examples

PARTS = ("6502", "65C02")
USUAL = bytes.fromhex("A9BD9D91B1A5856595E6C6D0F0204C6048682A6AA2A0CAE8888AC9E91879F96DED")
MOSTLY_USUAL = bytes(n if n & 1 else USUAL[n // 2 % len(USUAL)] for n in range(256))

# Anything, but mostly opcodes that real programs are made of; pointers into all pages come by themselves.
programs = st.tuples(st.sampled_from(PARTS), st.integers(0, 2**32 - 1))


def _fill(board, seed):
    chance = random.Random(seed)
    board.memory[:] = chance.randbytes(65536).translate(MOSTLY_USUAL)
    registers = {r: chance.randrange(256) for r in ("a", "x", "y", "sp", "p")}
    board.begin(chance.randrange(65536), **registers)


@given(programs)
@settings(max_examples=examples(60), deadline=None)
def test_cycles_count_bus_accesses_and_no_access_lies_outside_the_table_of_its_instruction(rig, published, program):
    part, seed = program
    board = rig(part, pulled=()).watch()
    _fill(board, seed)
    cpu = board.cpu
    for _ in range(100):
        if cpu.halted or cpu.waiting or cpu.reset_due:
            break
        pc, x, y, sp = cpu.pc, cpu.x, cpu.y, cpu.sp
        before, start = bytes(board.memory), cpu.cycle
        board.log.clear()
        cpu.step()
        log = board.log
        assert len(log) == cpu.cycle - start
        assert [c.is_fetch for c in log] == [True] + [False] * (len(log) - 1)
        rows = [row for row in published.rows(part, before[pc]) if len(row.cycles) == len(log)]
        opcode = OPCODES[part][before[pc]]
        stored = log[-1].data if log[-1].is_write else 0
        if opcode.mnemonic == "JSR" and pc + 2 & 0xFF00 == 0x0100:
            continue  # it may overwrite its own last byte before reading it
        wanted = [published.addresses(row, before.__getitem__, pc, x, y, sp, stored) for row in rows]
        assert [c.address for c in log] in wanted, f"{opcode} at {pc:04X}"


@given(programs, st.lists(st.integers(1, 300), min_size=5, max_size=30))
@settings(max_examples=examples(60), deadline=None)
def test_running_fast_in_any_portions_ends_like_running_careful_step_by_step(rig, program, portions):
    part, seed = program
    fast, careful = rig(part, pulled=()), rig(part, pulled=())
    _fill(fast, seed)
    _fill(careful, seed)
    for portion in portions:
        fast.cpu.run(fast.cpu.cycle + portion)
        while careful.cpu.cycle < fast.cpu.cycle:
            careful.cpu.step()
        assert fast.state == careful.state
        assert fast.cpu.last_notes() == careful.cpu.last_notes()
    assert fast.memory == careful.memory


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("spare", ["target", "operand"])
def test_every_quick_function_agrees_with_the_careful_one(part, spare, rig):
    """Each opcode from many states; counts that nearly all documented opcodes have a quick function that is used."""
    chance = random.Random(f"quick {part} {spare}")
    fast, careful = (rig(part, pulled=(), indexed_store_spare=spare) for _ in range(2))
    used: Counter[int] = Counter()
    for code in range(256):
        memory = chance.randbytes(65536)
        for _ in range(12):
            pc = chance.randrange(256) << 8 | chance.randrange(253)
            registers = {r: chance.randrange(256) for r in ("a", "x", "y", "sp")}
            registers["p"] = chance.randrange(256) & ~0x08  # decimal arithmetic is left to the careful functions
            for board in (fast, careful):
                board.memory[:] = memory
                board.memory[pc] = code
                board.cpu.cycle = 1000
                board.begin(pc, **registers)
            left = fast.cpu.quick[code](fast.cpu, fast.cpu.rd[pc >> 8], pc & 0xFF)
            if left:
                assert (fast.cpu.pc, fast.cpu.cycle) == (pc, 1000)
                assert fast.memory == careful.memory
                continue
            used[code] += 1
            careful.cpu.step()
            assert fast.state == careful.state, OPCODES[part][code]
            assert fast.memory == careful.memory, OPCODES[part][code]
    slow = {o.mnemonic for o in OPCODES[part] if o.documented and not used[o.code]}
    assert slow == ({"BRK"} if part == "6502" else {"BRK", "WAI", "STP"})


@given(programs, st.lists(st.tuples(st.sampled_from(["NMI", "IRQ", "RESET"]), st.integers(1, 600), st.integers(1, 40))))
@settings(max_examples=examples(40), deadline=None)
def test_lines_pulled_at_random_and_steps_of_any_kind_mixed_end_like_one_careful_run(rig, program, pulses):
    """step(), step_cycle() and run() in any order are the same machine."""
    part, seed = program
    mixed, careful = rig(part), rig(part).watch()
    for board in (mixed, careful):
        _fill(board, seed)
        for line, cycle, cycles in pulses:
            board.pull(line, cycle, cycles)
    chance = random.Random(seed)
    while mixed.cpu.cycle < 600:
        kind = chance.randrange(3)
        if kind == 0:
            mixed.cpu.step()
        elif kind == 1:
            for _ in range(chance.randrange(1, 12)):
                before = mixed.cpu.cycle
                mixed.cpu.step_cycle()
                assert mixed.cpu.cycle == before + 1
        else:
            mixed.cpu.run(mixed.cpu.cycle + chance.randrange(1, 60))
    if mixed.cpu.inside_instruction:
        mixed.cpu.step()
    while careful.cpu.cycle < mixed.cpu.cycle:
        careful.cpu.step()
    assert mixed.state == careful.state
    assert mixed.memory == careful.memory
    assert len(careful.log) == careful.cpu.cycle
