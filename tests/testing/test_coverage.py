"""Coverage of ROMs against a count made otherwise: instruction by instruction, from the program counter."""

from collections import Counter
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import machine_listing
from simkit.contract.errors import SimkitError
from simkit.testing.coverage import Counts, CoverageWatch, html, program_of, table, total

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "demo" / "bench"
BRANCHES = {0x10, 0x30, 0x50, 0x70, 0x90, 0xB0, 0xD0, 0xF0}


def _covered(cycles):
    machine = Machine.load(BENCH)
    watch = CoverageWatch(machine)
    machine.run(cycles=cycles)
    return machine, watch.stop()


def test_counts_are_those_of_a_walk_from_instruction_to_instruction():
    machine, counts = _covered(60_000)
    walker = Machine.load(BENCH)
    ran, taken, passed = Counter(), Counter(), Counter()
    while walker.cycle < machine.cycle:
        sequence = walker.cpu.reset_due or walker.cpu.due is not None
        pc = walker.cpu.pc
        code = walker.peek(pc)
        walker.step()
        if sequence:
            continue
        ran[pc] += 1
        if code in BRANCHES:
            (passed if walker.cpu.pc == pc + 2 else taken)[pc] += 1
    assert walker.cycle == machine.cycle
    assert counts.ran == ran
    for mine, theirs in ((counts.taken, taken), (counts.passed, passed)):
        # the last branch of the run is not resolved yet
        assert sum(abs(mine.get(a, 0) - theirs.get(a, 0)) for a in {*mine, *theirs}) <= 1
    assert max(ran.values()) > 100
    assert min(ran) >= 0x8000


def test_the_table_adds_up_and_the_page_shows_what_never_ran():
    machine, counts = _covered(60_000)
    program = program_of(machine, machine_listing(machine)[0])
    rows = table(counts, program)
    everything = total(rows)
    assert everything.instructions == len(program.instructions)
    assert 0 < everything.ran < everything.instructions
    assert everything.both <= everything.branches
    take = next(row for row in rows if row.label == "take")
    assert (take.ran, take.instructions) == (0, 7)  # nothing was received
    page = html(counts, program, "a <b>")
    assert "a &lt;b&gt;" in page
    assert page.count("<tr class=never") == everything.instructions - everything.ran


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
    with_listing = set(program_of(machine, machine_listing(machine)[0]).instructions)
    followed = set(program_of(machine, None).instructions)
    assert followed <= with_listing
    assert len(followed) > len(with_listing) * 0.9
