"""Coverage of code in banks: what ran in one bank says nothing of what stands at the same address in another."""

import attrs
import pytest

from simkit.testing.coverage import Counts, CoverageWatch, Program, program_of, table
from simkit.testing.coverage_files import source_files
from simkit.testing.coverage_page import html
from simkit.testing.spots import as_text, bank_of, from_text, seen_of, spot
from tests.check.test_banks import banked, load  # noqa: F401 - fixtures

FIRST_CALL, ALL = 40, 1000
"""Cycles: up to the return from bank 0; everything."""


def covered(machine, cycles):
    watch = CoverageWatch(machine)
    machine.run(cycles=cycles)
    return watch.stop(), program_of(machine, machine.source_lines.listing)


def lines_of(counts, program):
    return {
        file.path.rpartition("/")[2]: {number: line.hits for number, line in file.lines.items()}
        for file in source_files(counts, program)
    }


def test_what_ran_in_one_bank_is_not_told_of_the_other(banked):  # noqa: F811
    """Bank 0 is called first; then bank 1, which leaves into the RTS of bank 0; then bank 0 again."""
    counts, program = covered(banked, FIRST_CALL)
    assert lines_of(counts, program) == {"one.s": {1: 0, 2: 0, 3: 0}, "zero.s": {2: 1, 3: 1, 4: 1}}
    watch = CoverageWatch(banked)
    banked.run(cycles=ALL)
    counts.add(watch.stop())
    assert lines_of(counts, program) == {"one.s": {1: 1, 2: 1, 3: 1}, "zero.s": {2: 1, 3: 1, 4: 1}}
    assert counts.ran[0x8000] == 2, "of an address: in all banks"


def test_labels_of_each_bank_have_a_row_and_a_link_of_their_own(load, tmp_path):  # noqa: F811
    from tests.check.test_banks import LD65

    (tmp_path / "x.dbg").write_text(LD65)
    counts, program = covered(load('labels = "x.dbg"'), FIRST_CALL)
    rows = {row.label: (row.address, row.instructions, row.ran) for row in table(counts, program)}
    assert rows == {
        "zero": (0x8000, 1, 1),
        "fault": (0x8001, 2, 2),
        "one": (0x8000, 1, 0),
        "bad": (0x8001, 1, 0),
        "away": (0x8004, 1, 0),
    }
    page = html(counts, program, "Banked")
    for row in table(counts, program):
        assert page.count(f"id=a{as_text(row.at).replace(':', '-')}>") == 1
        assert f"href='#a{as_text(row.at).replace(':', '-')}'" in page


def test_counts_and_outlines_of_banks_go_through_files(banked, tmp_path):  # noqa: F811
    counts, program = covered(banked, ALL)
    (tmp_path / "counts.json").write_text(counts.to_json())
    read = Counts.from_json(tmp_path / "counts.json")
    assert read == counts
    assert table(read, Program.of_outline(program.outline("x"))) == table(counts, program)
    assert {at for at in counts.ran if seen_of(at)}
    assert attrs.asdict(table(counts, program)[0])["address"] == 0x8000


@pytest.mark.parametrize(("address", "seen"), [(0, None), (0xFFFF, None), (0x8000, (1, 0)), (0xBFFF, (99, 0xFFFFFF))])
def test_a_spot_goes_through_text_and_tells_its_parts(address, seen):
    at = spot(address, seen)
    assert from_text(as_text(at)) == at
    assert (at & 0xFFFF, seen_of(at)) == (address, seen)
    assert bank_of(at) == (bank_of(spot(address + 1, (seen[0], seen[1] + 1))) if seen else (0, 0))


@pytest.mark.parametrize(
    "text", ["", "800", "80000", "8000:", "8000:0:0000", "8000:100:0000", "8000:1:0", "8000:1:00g0"]
)
def test_what_is_no_spot_is_refused(text):
    with pytest.raises(ValueError, match="no address"):
        from_text(text)
