"""Pins of a 6522 that nobody drives: the ports as they are read, and the noise that open pins pick up."""

from __future__ import annotations

from simkit.contract import PinGroup, Slot

NOISE_MEAN_CYCLES = 500
"""Cycles between edges of an open control line that picks up noise; an invented figure, the right one is chance."""


def noise_gap(slot: Slot, name: str, cycle: int) -> int:
    """Cycles until the open control line of that name has its next edge."""
    return 1 + int(slot.chance("noise on " + name, cycle) * 2 * NOISE_MEAN_CYCLES)


class _NoisyPins(PinGroup):
    """Pins of a port that read by chance where nothing is joined to them and they drive nothing."""

    __slots__ = ("_slot_of_card",)

    def __init__(self, slot: Slot, letter: str) -> None:
        super().__init__(slot.pin(f"P{letter}{n}") for n in range(8))
        self._slot_of_card = slot

    def levels(self, cycle: int) -> int:
        """Levels on the pins in `cycle`, bit by bit."""
        value = 0
        for n, pin in enumerate(self.pins):
            if pin.line is None and pin.value is None:
                value |= (self._slot_of_card.chance("open " + pin.spec.name, cycle) < 0.5) << n
            elif pin.level(cycle):
                value |= 1 << n
        return value


def port_pins(slot: Slot, letter: str, *, noisy: bool) -> PinGroup:
    """The eight pins of port A or B."""
    return _NoisyPins(slot, letter) if noisy else PinGroup(slot.pin(f"P{letter}{n}") for n in range(8))
