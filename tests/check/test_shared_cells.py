"""Which cell is which: places in cards, not addresses."""

from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.result.notes import Notes
from simkit.check.watches.shared import SharedCells
from simkit.check.watches.stores import Stores
from simkit.cpu.isa.effects import effects

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
LDA = effects("6502")[0xAD]
AT, HANDLER, MAIN = 0x2000, 0x8100, 0x8000


@pytest.mark.parametrize(("handlers_bank", "told"), [(3, True), (4, False)])
def test_a_cell_of_another_bank_at_the_same_address_is_another_cell(handlers_bank, told):
    """The main program keeps its values in bank 3, the handler its own in one bank or the other."""
    cells = SharedCells(Machine.load(BENCH), Stores({3: 16, 4: 16}))
    for value in range(10, 20):
        cells.main_writes((3, 0), value, MAIN, in_place=False, forbidden=False)
        cells.handler_writes((handlers_bank, 0), AT, 7, HANDLER)
        cells.handler_reads((handlers_bank, 0), AT, HANDLER + 3, LDA)
        cells.handler_left("IRQ")
        if (3, 0) in cells.cells:
            cells.main_reads((3, 0), 7, MAIN + 3, value, pointer=False, forbidden=False)
    notes = Notes()
    cells.report(notes)
    found = notes.all()
    assert bool(found) == told
    if told:
        assert found[0].address == AT
        assert f"written $0A at ${MAIN:04X}, reads back $07 at ${MAIN + 3:04X}" in found[0].message
        assert f"${HANDLER:04X} wrote it in between" in found[0].message


@pytest.mark.parametrize(("reader", "told"), [(MAIN + 3, True), (MAIN - 3, False), (MAIN, False)])
def test_a_value_kept_for_the_next_time_may_be_stirred_and_one_needed_further_down_may_not(reader, told):
    """Read, changed and stored again, as a seed of chance is, the read stands before the store."""
    cells = SharedCells(Machine.load(BENCH), Stores({3: 16, 4: 16}))
    cell = (3, 0)
    for value in range(10, 20):
        cells.main_writes(cell, value, MAIN, in_place=False, forbidden=False)
        if value % 2:
            cells.handler_writes(cell, AT, 7, HANDLER)  # without having looked, and it does not look later
            cells.handler_left("IRQ")
        if cell in cells.cells:
            cells.main_reads(cell, 7 if value % 2 else value, reader, value, pointer=False, forbidden=False)
    notes = Notes()
    cells.report(notes)
    assert [note.address for note in notes.all()] == ([AT] if told else [])
