"""A card that does in each access what a test has told it; the machine round it is made in conftest.py."""

from typing import Any

import attrs

from simkit.contract import Card, Drive, PinSpec, Register, Slot, setting


@attrs.frozen
class Settings:
    wait: int = setting(0, unit="cycles", help="wait cycles of each access; of a `Waiting` alone")


class Obedient(Card):
    """Four registers, of which `lamps` and `more` take writes that may wait; a read gives the number of the cycle.

    Attributes:
        log: accesses as (cycle, is_write, offset, value).
        told: called before each access with (is_write, offset, value, cycle); what it gives for a read, if it gives
            anything, is the byte.
        happens: called with (name, cycle) when an event that `told` has armed is due.
    """

    kind = "obedient"
    Settings = Settings
    LAMPS, MORE, LOOK, SPARE = range(4)

    @classmethod
    def registers(cls, settings: Settings) -> tuple[Register, ...]:
        effects = {"write_effect": "whatever a test says", "read_effect": "whatever a test says"}
        return (
            Register(cls.LAMPS, "lamps", "rw", writes_wait=True, **effects),
            Register(cls.MORE, "more", "rw", writes_wait=True, **effects),
            Register(cls.LOOK, "look", "rw", **effects),
            Register(cls.SPARE, "spare", "rw", **effects),
        )

    @classmethod
    def pins(cls, settings: Settings) -> tuple[PinSpec, ...]:
        strong = (PinSpec(name=name, drive=Drive.PUSH_PULL) for name in ("P0", "P1", "P2"))
        return (*strong, PinSpec(name="LOW", drive=Drive.OPEN_DRAIN))

    def __init__(self, settings: Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self.log: list[tuple[int, bool, int, int]] = []
        self.told: Any = None
        self.happens: Any = None

    def peek(self, offset: int, cycle: int) -> int:
        return cycle & 0xFF

    def read(self, offset: int, cycle: int) -> int:
        value = self.peek(offset, cycle)
        if self.told is not None and (other := self.told(False, offset, value, cycle)) is not None:
            value = other
        self.log.append((cycle, False, offset, value))
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        if self.told is not None:
            self.told(True, offset, value, cycle)
        self.log.append((cycle, True, offset, value))

    def event(self, name: str, cycle: int) -> None:
        self.happens(name, cycle)

    def save(self, cycle: int) -> dict[str, Any]:
        return {}

    def load(self, state: dict[str, Any]) -> None:
        pass


class Waiting(Obedient):
    """The same with wait states."""

    kind = "obedient-waiting"

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        return int(self.settings.wait)
