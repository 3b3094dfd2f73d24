"""A card that notices: a latch cleared by reading, a register that counts its accesses, an interrupt request.

It lies beside its machine file as an example of a card of one's own; roms/traps.asm says what each register is for.
"""

from __future__ import annotations

from typing import ClassVar

import attrs

from simkit.contract import BIT, COUNT, Card, Drive, PinSpec, Register, remembers, saved

LATCH, COUNTER, READS, WRITES = range(4)
COUNTED_VALUE = 7  # what the counted register gives; any value would do


@attrs.frozen(kw_only=True)
class TrapCardSettings:
    """Nothing on this card can be set."""


@remembers
class TrapCard(Card):
    """Remembers every access that a plain model of the processor would not make."""

    kind: ClassVar[str] = "trap-card"
    Settings: ClassVar[type] = TrapCardSettings

    _latch: int = saved(BIT, 0)  # all that the card remembers; the request is the pin's
    _reads: int = saved(COUNT, 0)
    _writes: int = saved(COUNT, 0)

    @classmethod
    def registers(cls, settings: TrapCardSettings) -> tuple[Register, ...]:
        """Four registers, two of which a read changes."""
        return (
            Register(LATCH, "latch", "rw", read_effect="clears it", write_effect="sets it"),
            Register(COUNTER, "counter", "rw", read_effect="is counted", write_effect="is counted"),
            Register(READS, "reads", "rw", write_effect="sets both counts to 0"),
            Register(WRITES, "writes", "rw", read_effect="lets INT go", write_effect="pulls INT low"),
        )

    @classmethod
    def pins(cls, settings: TrapCardSettings) -> tuple[PinSpec, ...]:
        """The interrupt request."""
        return (PinSpec(name="INT", drive=Drive.OPEN_DRAIN, help="interrupt request"),)

    def peek(self, offset: int, cycle: int) -> int:
        """Value of the register."""
        return (self._latch, COUNTED_VALUE, self._reads & 0xFF, self._writes & 0xFF)[offset]

    def read(self, offset: int, cycle: int) -> int:
        """Value of the register, then what reading it does."""
        value = self.peek(offset, cycle)
        if offset == LATCH:
            self._latch = 0
        elif offset == COUNTER:
            self._reads += 1
        elif offset == WRITES:
            self.slot.pin("INT").drive(None, cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Set the latch, be counted, clear the counts, or pull IRQ."""
        if offset == LATCH:
            self._latch = 1
        elif offset == COUNTER:
            self._writes += 1
        elif offset == READS:
            self._reads = self._writes = 0
        else:
            self.slot.pin("INT").drive(False, cycle)
