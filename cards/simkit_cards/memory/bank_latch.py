"""Bank latch card: eight outputs that the CPU sets and cannot read back, to be joined to decoders and address pins.

With its write strobe as latch enable the card is wired right; let `write_enable` ignore RW, and a read loads the latch
with whatever is on the bus. The new outputs count from the next cycle, so the code that switches must stand in
memory that both banks share.

Faithful to: 74HC573 (transparent), 74HC574 (edge), 74HC273 (edge, cleared by RESET).
Left out: propagation delays (see the timing budget).

Sources: data sheets of the 74HC573, 74HC574 and 74HC273, function tables (from memory).
"""

from __future__ import annotations

from typing import Any, ClassVar

import attrs

from simkit.contract import BYTE, Card, Drive, PinGroup, PinSpec, Register, Slot, remembers, saved, setting

OUTPUTS = tuple(f"Q{n}" for n in range(8))


@attrs.frozen(kw_only=True)
class BankLatchSettings:
    """The part in the socket."""

    part: str = setting(
        "74HC574",
        one_of=("74HC573", "74HC574", "74HC273"),
        help="573: follows the bus while enabled; 574: takes it at the edge; 273: as 574, cleared by RESET",
    )
    shows_garbage: bool = setting(
        False, help="573 only: outputs first follow what is on the bus before write data are stable (a seeded byte)"
    )


@remembers
class BankLatch(Card):
    """Holds a byte on eight outputs."""

    kind: ClassVar[str] = "bank-latch"
    title: ClassVar[str] = "Bank latch"
    Settings: ClassVar[type] = BankLatchSettings
    faithful_to: ClassVar[str] = "74HC573, 74HC574, 74HC273"

    _value: int = saved(BYTE, 0)

    @classmethod
    def registers(cls, settings: BankLatchSettings) -> tuple[Register, ...]:
        """One register, for writing."""
        return (
            Register(
                0, "bank", "w", bits=OUTPUTS, is_port=True, write_effect="shows on the outputs from the next cycle"
            ),
        )

    @classmethod
    def pins(cls, settings: BankLatchSettings) -> tuple[PinSpec, ...]:
        """Eight outputs; OE of a 573 or 574 lets them go when high."""
        outputs = tuple(PinSpec(name=name, drive=Drive.THREE_STATE, help="output of the latch") for name in OUTPUTS)
        if settings.part == "74HC273":
            return outputs
        oe = PinSpec(
            name="OE", drive=Drive.INPUT, listens=True, open_level=False, jumpered=True, help="high: outputs let go"
        )
        return (*outputs, oe)

    def __init__(self, settings: BankLatchSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._garbage = settings.part == "74HC573" and settings.shows_garbage
        self._oe = slot.pins.get("OE")
        self._outputs = PinGroup(slot.pin(name) for name in OUTPUTS)

    def forget(self) -> None:
        """Drive every output again."""
        super().forget()
        self._outputs.forget()

    def power_on(self, cycle: int) -> None:
        """Whatever the flip-flops fall into."""
        self._value = self.slot.noise("latch", 1)[0]
        self._show(cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """Clears a 74HC273; the others have no reset pin."""
        if asserted and self.settings.part == "74HC273":
            self._value = 0
            self._show(cycle)

    def _released(self, cycle: int) -> bool:
        return self._oe is not None and self._oe.level(cycle)

    def _show(self, cycle: int) -> None:
        self._outputs.drive(self._value, 0 if self._released(cycle) else 0xFF, cycle)

    def peek(self, offset: int, cycle: int) -> int:
        """What the latch holds; a read of the bus does not get it."""
        return self._value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Take the byte on the data lines; also in a read cycle, if the board's strobe lets it."""
        if self._garbage:
            self._value = int(self.slot.chance("garbage", cycle) * 256)
            self._show(cycle)
        self._value = value
        self._show(cycle)

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """OE moved."""
        self._show(cycle)

    def load(self, state: dict[str, Any]) -> None:
        """Take the byte back."""
        super().load(state)
        self._outputs.restore(self._value, 0xFF)

    def words(self, cycle: int) -> list[str]:
        """The byte, and whether it is out."""
        out = "outputs let go (OE high)" if self._released(cycle) else "on the outputs"
        return [f"{self.settings.part} holds ${self._value:02X} (%{self._value:08b}), {out}"]
