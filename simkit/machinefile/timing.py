"""What a machine file says of the parts that decide how fast it is: the CPU, those of cards, what lies between."""

from __future__ import annotations

import attrs

from simkit.machinefile.figures import Part

CARD_TIMING = {
    "decode": 'from the address lines to the select, in order: ["74HC688", "74HC138 enable"]; lists in a list are ways',
    "buffer": 'transceiver between the data lines of the backplane and the card: "74HC245"',
    "buffer_gate": "gate that makes the transceiver's enable of select and PHI2; without it the select enables it",
    "read_gate": "gate that makes the output enable of R/W, PHI2 and, if wired so, the select",
    "write_gate": "gate that makes the write strobe",
    "port": 'driver on the card from which it is read, enabled by the select: "74HC541"',
    "latch": 'latch or register that takes what is written: "74HC574"',
    "counter": 'counter of a card that divides its clock: "74HC161"',
    "collector": 'shift register of a card that collects bits: "74HC595"',
}
"""Keys of [card.timing]."""
CPU_TIMING = {
    "address_buffer": "driver on the CPU card between the CPU and the address lines",
    "data_buffer": "transceiver on the CPU card between the CPU and the data lines",
    "phi2_high": 'share of the period for which PHI2 is high, "50 %" if it is not said',
}
"""Keys of [cpu] besides kind, part and grade."""


@attrs.frozen
class Named:
    """A part that is named, and what it may be.

    Attributes:
        text: as written, name and grade, without the input; "": nothing is named.
        parts: rows of the table, several where maker or grade is open.
        figure: by which figure the signal goes through it, in a chain.
    """

    text: str = ""
    parts: tuple[Part, ...] = ()
    figure: str = ""

    def __bool__(self) -> bool:
        return bool(self.parts)


NOBODY = Named()


@attrs.frozen(kw_only=True)
class CardTiming:
    """What a card says of the way of signals to its part and back; see CARD_TIMING."""

    decode: tuple[tuple[Named, ...], ...] = ()
    buffer: Named = NOBODY
    buffer_gate: Named = NOBODY
    read_gate: Named = NOBODY
    write_gate: Named = NOBODY
    port: Named = NOBODY
    latch: Named = NOBODY
    counter: Named = NOBODY
    collector: Named = NOBODY

    def named(self) -> list[Named]:
        """All parts that it names."""
        chains = [step for chain in self.decode for step in chain]
        others = (getattr(self, key) for key in CARD_TIMING if key != "decode")
        return [*chains, *(one for one in others if one)]


@attrs.frozen(kw_only=True)
class CpuTiming:
    """The CPU, and what stands between it and the backplane; see CPU_TIMING.

    Attributes:
        part: the CPU, if it is named.
        phi2_high: share of the period.
    """

    part: Named = NOBODY
    address_buffer: Named = NOBODY
    data_buffer: Named = NOBODY
    phi2_high: float = 0.5
