"""Coverage of ROMs against a count made otherwise: instruction by instruction, from the program counter."""

from collections import Counter
from pathlib import Path

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.testing.coverage import Counts, CoverageWatch, program_of, table, total

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "demo" / "bench"
BRANCHES = {0x10, 0x30, 0x50, 0x70, 0x90, 0xB0, 0xD0, 0xF0}


def _covered(cycles):
    machine = Machine.load(BENCH)
    watch = CoverageWatch(machine)
    machine.run(cycles=cycles)
    return machine, watch.stop()


def _walked(walker, cycle):
    """Instructions that ran up to a cycle, branches taken and passed, from step to step and what a probe sees in it.

    Where RDY holds an opcode it is read in several passes; RESET may come between them.
    """
    ran, taken, passed = Counter(), Counter(), Counter()
    seen = []
    walker.add_probe(seen.append)
    ready = walker.description.backplane.wait_states == "ready"
    went, pc = None, 0  # what the branch before did
    while walker.cycle < cycle:
        seen.clear()
        walker.step()
        held = walker.bus.accesses.wait_cycles(seen[0].address, False) if ready else 0
        fetched = [c.is_fetch and c.kind == "instruction" for c in seen].count(True) == held + 1
        if not fetched and seen[-1].kind != "interrupt":
            went = None  # RESET: the branch may have been given up
            continue
        if went is not None:
            went[pc] += 1
        went = None
        if fetched:
            pc = seen[0].address
            ran[pc] += 1
            if walker.peek(pc) in BRANCHES and not walker.cpu.reset_due:
                went = passed if walker.cpu.pc == pc + 2 else taken
    assert walker.cycle == cycle
    return ran, taken, passed


def _agrees(counts, walked):
    ran, taken, passed = walked
    assert counts.ran == ran
    for mine, theirs in ((counts.taken, taken), (counts.passed, passed)):
        assert mine == theirs


def test_counts_are_those_of_a_walk_from_instruction_to_instruction():
    machine, counts = _covered(60_000)
    walked = _walked(Machine.load(BENCH), machine.cycle)
    _agrees(counts, walked)
    assert max(walked[0].values()) > 100
    assert min(walked[0]) >= 0x8000


SLOW = """
[[card]]
slot = 4
kind = "file:slow_memory.py:SlowRam"
select = "0110 xxxx xxxx xxxx"
[card.settings]
size = 4096
wait = {wait}
"""
# $6000: ldx #3 | dex, bne, lda $40, and #1, beq $600e, inc $41, nop | inc $40, ldx #1, beq (never), bne $6000 (always)
LOOP = bytes.fromhex("A203 CA D0FD A540 2901 F003 E641 EA E640 A201 F0FE D0EA")


@pytest.fixture
def slow(small_machine):
    """Makes machines whose program lies in memory with wait states."""

    def make(engine, wait, wait_states="ready"):
        cards, files = SLOW.format(wait=wait), (Path(__file__).parents[1] / "slow_memory.py",)
        gaps = ("0110 xxxx xxxx xxxx",)
        machine = small_machine("4C0060", engine, gaps=gaps, cards=cards, files=files, wait_states=wait_states)
        for place, byte in enumerate(LOOP):
            machine.poke(0x6000 + place, byte)
        return machine

    return make


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize("wait_states", ["ready", "stretch"])
@pytest.mark.parametrize("wait", [0, 1, 5])
def test_fetches_that_wait_are_counted_once(slow, engine, wait, wait_states):
    """Under RDY the opcode is read several times over."""
    machine = slow(engine, wait, wait_states)
    watch = CoverageWatch(machine)
    machine.run(cycles=5000)
    counts = watch.stop()
    _agrees(counts, _walked(slow("exact", wait, wait_states), machine.cycle))
    assert counts.ran[0x6002] > 50
    assert {0x6003, 0x6009} <= counts.taken.keys() & counts.passed.keys()
    assert (0x6012 in counts.passed, 0x6012 in counts.taken) == (True, False)


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize("wait", [0, 2])
def test_a_branch_that_reset_gives_up_is_neither_taken_nor_passed(slow, engine, wait):
    """RESET in one cycle after another of the program; of one that is over as RESET comes nothing is known either."""
    machines = [slow(one, wait) for one in (engine, "exact")]
    for machine in machines:
        for press in range(120):
            at = 200 * (press + 1) + press * press // 2  # a cycle later in the program each time
            machine.outside(-1, "machine", "reset", True, at=at)
            machine.outside(-1, "machine", "reset", False, at=at + 8)
    machine, walker = machines
    watch = CoverageWatch(machine)
    machine.run(cycles=33_000)
    counts = watch.stop()
    _agrees(counts, _walked(walker, machine.cycle))
    assert 0x6012 not in counts.taken, "it is never taken"
    assert 0x6014 not in counts.passed, "it always is"
    assert counts.ran[0x8000] >= 121


def test_the_table_adds_up():
    machine, counts = _covered(60_000)
    program = program_of(machine, machine.source_lines.listing)
    rows = table(counts, program)
    everything = total(rows)
    assert everything.instructions == len(program.instructions)
    assert 0 < everything.ran < everything.instructions
    assert everything.both <= everything.branches
    take = next(row for row in rows if row.label == "take")
    assert (take.ran, take.instructions) == (0, 7)  # nothing was received


def test_runs_of_one_program_are_added_and_others_refused(tmp_path):
    _, first = _covered(20_000)
    _, second = _covered(20_000)
    path = tmp_path / "counts.json"
    path.write_text(second.to_json())
    twice = Counts.from_json(path)
    twice.add(first)
    assert twice.ran == {address: 2 * count for address, count in first.ran.items()}
    other = Counts("another program")
    with pytest.raises(SimkitError, match="different ROM images"):
        other.add(first)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": "simkit-coverage", "version": 9}'])
def test_a_file_without_counts_is_told(text, tmp_path):
    path = tmp_path / "counts.json"
    path.write_text(text)
    with pytest.raises(SimkitError, match="holds no coverage counts"):
        Counts.from_json(path)


def test_without_a_listing_the_program_is_followed_from_its_vectors():
    machine = Machine.load(BENCH)
    with_listing = set(program_of(machine, machine.source_lines.listing).instructions)
    followed = set(program_of(machine, None).instructions)
    assert followed <= with_listing
    assert len(followed) > len(with_listing) * 0.9
