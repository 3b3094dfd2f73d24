"""What a card shows of itself without being asked in a cycle: its registers as wired, and its plain memory."""

from __future__ import annotations

import attrs


@attrs.frozen(slots=True)
class Register:
    """One register of a board as wired.

    Attributes:
        offset: what the card's address pins carry.
        name: as the data sheet or the board prints it, in lower case for ours.
        access: "r", "w" or "rw".
        bits: names of the bits, bit 0 first; "" for a bit without a name. Empty when the bits have no names.
        driven: mask of the bits the card drives on a read; the others keep the open-bus value.
        effects: side effects in words, parts separated by ";". A part that begins with "write" or "a write" concerns
            writes alone, one that begins with "read" or "a read" reads alone; "none" at the beginning says that
            nothing happens.
    """

    offset: int
    name: str
    access: str
    bits: tuple[str, ...] = ()
    driven: int = 0xFF
    effects: str = ""

    @property
    def read_effect(self) -> bool:
        """Whether a read does something besides giving the byte, by the words of `effects`."""
        return "r" in self.access and self._some_part_besides("write", "a write")

    @property
    def write_effect(self) -> bool:
        """Whether a write does something besides keeping the byte, by the words of `effects`."""
        return "w" in self.access and self._some_part_besides("read", "a read")

    def _some_part_besides(self, *beginnings: str) -> bool:
        parts = (part.strip() for part in self.effects.split(";"))
        told = not self.effects.startswith("none")
        return told and any(part and not part.startswith(beginnings) for part in parts)


@attrs.frozen(slots=True)
class PlainMemory:
    """Views of a buffer that reads and writes need not be told about.

    Attributes:
        read: what a read finds, or None when reads must call the card; keeps its identity for the card's life.
        write: where a write lands, or None when writes must call the card (or are ignored by it: see `ignores_writes`).
        ignores_writes: a write changes nothing on the card (ROM).
    """

    read: bytearray | None
    write: bytearray | None
    ignores_writes: bool = False
