"""A sound card of plain memory, and its wrong ones."""

from typing import Any, ClassVar

import attrs

from simkit.contract import Card, Drive, PinSpec, PlainMemory, setting


@attrs.frozen(kw_only=True)
class StoreSettings:
    size: int = setting(256, unit="bytes", help="size")


class Store(Card):
    """Sound: plain memory."""

    kind: ClassVar[str] = "store"
    Settings: ClassVar[type] = StoreSettings
    told: ClassVar[str] = ""

    @classmethod
    def address_pins(cls, settings):
        return 8

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="CLEAR", drive=Drive.INPUT, listens=True),)

    def __init__(self, settings: Any, slot: Any) -> None:
        super().__init__(settings, slot)
        self.memory = bytearray(256)

    def peek(self, offset, cycle):
        return self.memory[offset]

    def write(self, offset, value, cycle):
        self.memory[offset] = value

    def pin_changed(self, name, level, cycle):
        if not level:
            self.memory[:] = bytes(256)
            self.slot.changed(0, 256)

    def plain_memory(self):
        return PlainMemory(self.memory, self.memory)

    def save(self, cycle):
        return {"memory": bytes(self.memory)}

    def load(self, state):
        memory = state["memory"]
        if not isinstance(memory, bytes) or len(memory) != 256:
            raise ValueError("256 bytes")
        self.memory[:] = memory
        self.slot.changed(0, 256)


class GivesANewBuffer(Store):
    told = "another buffer than before"

    def plain_memory(self):
        return PlainMemory(bytearray(self.memory), self.memory)


class ClearsMemoryInSilence(Store):
    told = "changed without `slot.changed`"

    def pin_changed(self, name, level, cycle):
        if not level:
            self.memory[:] = bytes(256)


class WritesOtherThanTheBuffer(Store):
    told = "do something else than `write`"

    def write(self, offset, value, cycle):
        self.memory[offset] = value & 0x7F


class PeeksOtherThanTheBuffer(Store):
    told = "peek gives"

    def peek(self, offset, cycle):
        return self.memory[offset] & 0xF0
