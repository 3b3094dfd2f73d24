"""A seat: a card in its slot with the wiring round it."""

from __future__ import annotations

import attrs

from simkit.backplane.select import Expression, Select
from simkit.contract.card import Card
from simkit.contract.registers import PlainMemory, Register


@attrs.define(slots=True, eq=False)
class Seat:
    """A card in its slot, with the wiring round it.

    Attributes:
        card: the card.
        slot: slot number.
        kind: its kind, for messages.
        select: when it is selected.
        output_enable: when, selected, it drives the data lines.
        write_enable: when, selected, it takes the data lines.
        wires: which line reaches a pin of the card: {"A0": "A3", "D4": "D5", "A14": "BANK0", "A15": "low"}.
        ready_gated: its strobes are gated with ready: a stalled access is seen once.
    """

    card: Card
    slot: int
    kind: str
    select: Select
    output_enable: Expression
    write_enable: Expression
    wires: dict[str, str] = attrs.field(factory=dict)
    ready_gated: bool = False
    plain: PlainMemory | None = None
    driven: dict[int, int] = attrs.field(factory=dict)
    address_pins: int = 16
    takes_data: bytes | None = None  # bus byte -> byte at the card's pins, None when straight
    gives_data: bytes | None = None  # byte at the card's pins -> bus byte

    @property
    def waits(self) -> bool:
        """Whether its card may ask for wait states: every access must come to it."""
        return type(self.card).wait_cycles is not Card.wait_cycles

    @property
    def registers(self) -> tuple[Register, ...]:
        """The board as wired."""
        return type(self.card).registers(self.card.settings)

    @property
    def name(self) -> str:
        """How messages call it."""
        return f"slot {self.slot} ({self.kind})"
