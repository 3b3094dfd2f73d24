"""Memories of somebody's own: 4 KB each, in buffers that the core cannot reach."""

from typing import Any

import attrs

from simkit.contract import Card, PlainMemory

# inx, inc $40, lda $6800, sta $0200, sta $6801, inc $6801, rts
CODE = bytes.fromhex("E8 E640 AD0068 8D0002 8D0168 EE0168 60")
SIZE = 4096


@attrs.frozen
class Settings:
    pass


class ReadOnly(Card):
    """ROM in a view that cannot be written."""

    kind = "read-only-view"
    Settings = Settings
    takes_stores = False

    @classmethod
    def address_pins(cls, settings: Settings) -> int:
        return 12

    def __init__(self, settings: Settings, slot: Any) -> None:
        super().__init__(settings, slot)
        self.buffer = self.made(CODE + bytes(n * 7 & 0xFF for n in range(SIZE - len(CODE))))

    def made(self, content: bytes) -> Any:
        return memoryview(content)

    def plain_memory(self) -> PlainMemory:
        if self.takes_stores:
            return PlainMemory(self.buffer, self.buffer)
        return PlainMemory(self.buffer, None, ignores_writes=True)

    def peek(self, offset: int, cycle: int) -> int:
        return int(self.buffer[offset])

    def write(self, offset: int, value: int, cycle: int) -> None:
        if self.takes_stores:
            self.buffer[offset] = value

    def save(self, cycle: int) -> dict[str, Any]:
        return {"content": bytes(self.buffer)}

    def load(self, state: dict[str, Any]) -> None:
        if self.takes_stores:
            self.buffer[:] = state["content"]


class Bytes(ReadOnly):
    """ROM in bytes."""

    kind = "bytes"

    def made(self, content: bytes) -> Any:
        return content


class Bytearray(ReadOnly):
    """RAM in a bytearray."""

    kind = "bytearray"
    takes_stores = True

    def made(self, content: bytes) -> Any:
        return bytearray(content)


class Part(ReadOnly):
    """RAM in the middle of a bytearray."""

    kind = "part-of-a-buffer"
    takes_stores = True

    def made(self, content: bytes) -> Any:
        view = memoryview(bytearray(3 * SIZE))[77 : 77 + SIZE]
        view[:] = content
        return view
