"""Row of push buttons: read through a buffer at an address, or on pins joined to other cards. Contacts bounce if asked.

A pressed button pulls its line low; a resistor pulls it high otherwise (common practice).

Faithful to: 74HC541 or 74HC244 buffer with buttons to ground (common practice).
Left out: more than one contact a button.
"""

from __future__ import annotations

from typing import Any, ClassVar

import attrs

from simkit.contract import (
    BYTE,
    CYCLE,
    NEVER,
    ButtonsPort,
    Card,
    Drive,
    PinSpec,
    Register,
    Slot,
    StateError,
    many,
    remembers,
    row,
    saved,
    setting,
    whole,
)

MAX_BOUNCES = 6
"""Contacts open and close again up to this many times; an invented figure within common practice."""


@attrs.frozen(kw_only=True)
class ButtonRowSettings:
    """How the buttons are wired."""

    joined: str = setting(
        "address", one_of=("address", "pins"), help="a buffer at an address, or pins B0, B1, ... joined to lines"
    )
    count: int = setting(8, low=1, high=8, help="number of buttons")
    labels: str = setting("", help="what is printed beside them, leftmost (highest bit) first, with commas between")
    bounce_us: int = setting(0, unit="us", low=0, high=50_000, help="time for which contacts bounce; 0: never")


@remembers
class ButtonRow(Card):
    """Shows buttons as bits: 0 while pressed."""

    kind: ClassVar[str] = "button-row"
    title: ClassVar[str] = "Push buttons"
    Settings: ClassVar[type] = ButtonRowSettings
    faithful_to: ClassVar[str] = "74HC541 with buttons to ground"

    _pressed: int = saved(BYTE, 0)  # what the finger does
    _closed: int = saved(BYTE, 0)  # what the contacts do
    _bounces: list[tuple[int, int]] = saved(many(row(CYCLE, whole(0, 7))), [])  # (cycle, bit) of each change to come

    @classmethod
    def registers(cls, settings: ButtonRowSettings) -> tuple[Register, ...]:
        """The buffer, if there is one."""
        if settings.joined == "pins":
            return ()
        bits = tuple(f"B{n}" for n in range(settings.count))
        return (Register(0, "buttons", "r", bits=bits, driven=(1 << settings.count) - 1, help="0 = pressed"),)

    @classmethod
    def pins(cls, settings: ButtonRowSettings) -> tuple[PinSpec, ...]:
        """One contact to ground a button, if there is no buffer."""
        if settings.joined == "address":
            return ()
        return tuple(PinSpec(name=f"B{n}", drive=Drive.OPEN_DRAIN) for n in range(settings.count))

    def __init__(self, settings: ButtonRowSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        names = [name.strip() for name in settings.labels.split(",") if name.strip()]
        numbers = [f"B{n}" for n in reversed(range(settings.count))]
        labels = tuple((names + numbers[len(names) :])[: settings.count])
        self._bits = {label: settings.count - 1 - n for n, label in enumerate(labels)}
        self._labels = labels
        slot.port(ButtonsPort("buttons", labels))

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A button is pressed or released; the argument is its label."""
        bit = self._bits[str(arguments[0])]
        pressed = action == "press"
        if bool(self._pressed >> bit & 1) is pressed:
            return
        self._pressed ^= 1 << bit
        self._bounces = [entry for entry in self._bounces if entry[1] != bit]
        if bool(self._closed >> bit & 1) is not pressed:
            self._closed ^= 1 << bit
        self._add_bounces(bit, cycle)
        self._moved(cycle)

    def _add_bounces(self, bit: int, cycle: int) -> None:
        length = int(self.settings.bounce_us * self.slot.clock_hz / 1_000_000)
        pairs = int(self.slot.chance(f"bounces of {bit}", cycle) * (MAX_BOUNCES + 1))
        moments = {cycle + 1 + int(self.slot.chance(f"bounce {n} of {bit}", cycle) * length) for n in range(2 * pairs)}
        if length == 0 or len(moments) % 2:  # an odd number would end on the wrong level
            moments.discard(max(moments, default=0))
        if length:
            self._bounces = sorted([*self._bounces, *((moment, bit) for moment in moments)])

    def event(self, name: str, cycle: int) -> None:
        """Contacts change."""
        while self._bounces and self._bounces[0][0] <= cycle:
            self._closed ^= 1 << self._bounces.pop(0)[1]
        self._moved(cycle)

    def _moved(self, cycle: int) -> None:
        if self.settings.joined == "pins":
            for n in range(self.settings.count):
                self.slot.pin(f"B{n}").drive(False if self._closed >> n & 1 else None, cycle)
        if self._bounces:
            self.slot.at(max(cycle, self._bounces[0][0]), "bounce")
        else:
            self.slot.cancel("bounce")

    def peek(self, offset: int, cycle: int) -> int:
        """0 for each closed contact."""
        return ~self._closed & 0xFF

    def steady_until(self, offset: int, cycle: int) -> int:
        """Until a contact bounces or a finger moves."""
        return self._bounces[0][0] if self._bounces else NEVER

    def check_state(self) -> None:
        """No more buttons than there are."""
        for field, bits in (("pressed", self._pressed), ("closed", self._closed)):
            if bits >> self.settings.count:
                raise StateError(field, f"is ${bits:02X}, but there are {self.settings.count} buttons")
        if any(bit >= self.settings.count for _, bit in self._bounces):
            raise StateError("bounces", f"names a bit of a button that is not there: there are {self.settings.count}")

    def words(self, cycle: int) -> list[str]:
        """Which buttons are held."""
        held = [label for label in self._labels if self._pressed >> self._bits[label] & 1]
        return [f"held: {', '.join(held)}" if held else "no button held"]
