"""The four classic traps, sprung by roms/traps.asm on a board with a card that notices."""

from pathlib import Path
from typing import ClassVar

import attrs
import pytest

from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import Register

ROMS = Path(__file__).parents[2] / "roms"
LABELS = {
    name: int(value[1:], 16)
    for name, value in (line.split(" = ") for line in (ROMS / "traps.labels").read_text().splitlines())
}
RESULTS = ("LATCH_LEFT", "INC_READS", "INC_WRITES", "ENTRIES", "STEPS_BETWEEN", "DECIMAL_INSIDE", "SUM_INSIDE", "DONE")


@attrs.frozen
class _Nothing:
    pass


class TrapCard(Card):
    """Latch, counted register, counts, request: as the head of roms/traps.asm describes it, from offset $40 on."""

    kind: ClassVar[str] = "trap-card"
    Settings: ClassVar[type] = _Nothing

    @classmethod
    def registers(cls, settings):
        names = ("latch", "counter", "reads", "writes")
        return tuple(Register(0x40 + n, name, "rw") for n, name in enumerate(names))

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="INT", drive=Drive.OPEN_DRAIN),)

    def __init__(self, slot):
        super().__init__(_Nothing(), slot)
        self.latch = 0
        self.reads = self.writes = 0

    def read(self, offset, cycle):
        if offset == 0x40:
            value, self.latch = self.latch, 0
            return value
        if offset == 0x41:
            self.reads += 1
            return 7
        if offset == 0x43:
            self.slot.pin("INT").drive(None, cycle)
            return self.writes
        return self.reads

    def write(self, offset, value, cycle):
        if offset == 0x40:
            self.latch = 1
        elif offset == 0x41:
            self.writes += 1
        elif offset == 0x42:
            self.reads = self.writes = 0
        else:
            self.slot.pin("INT").drive(False, cycle)


@pytest.mark.parametrize(
    ("part", "results"),
    [("6502", (0, 1, 2, 3, 1, 8, 0x10, 0xA5)), ("65C02", (1, 2, 1, 3, 1, 0, 0x0A, 0xA5))],
)
@pytest.mark.parametrize("watched", [False, True])
def test_the_traps_spring_as_on_the_part(part, results, watched, rig):
    """Latch: MCS6500 Hardware Manual 1976, A.2.5; Rockwell R65C00 1984, item 1. INC: A.4.2; item 4. IRQ as a level, one
    instruction after CLI, at once after RTI: MCS6500 Programming Manual 1976, ch. 9. Decimal flag on entry: item 5.
    """
    board = rig(part, {0x7F: TrapCard}, pulled=())
    if watched:
        board.watch()
    board.place(0x8000, (ROMS / "traps.bin").read_bytes())
    board.cpu.run(400)
    assert board.cpu.pc == LABELS["stop"]
    assert dict(zip(RESULTS, (board.memory[LABELS[n]] for n in RESULTS), strict=True)) == dict(
        zip(RESULTS, results, strict=True)
    )
