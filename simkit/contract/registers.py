"""What a card shows of itself without being asked in a cycle: its registers as wired, and its plain memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import attrs

from simkit.contract.errors import SimkitError


def _possible(side: str, cannot: str) -> Callable[[Any, attrs.Attribute[Any], object], None]:
    """A validator: what is said of reads ("r") or writes ("w") is said of a register that has them."""

    def check(register: Register, field: attrs.Attribute[Any], value: object) -> None:
        if value and side not in register.access:
            raise SimkitError(
                f"Register {register.name!r} has {field.name} = {value!r}, but its access is {register.access!r}: it "
                f"cannot be {cannot}.",
                remedy=f"Leave {field.name} out, or name the access that the board has.",
            )

    return check


@attrs.frozen(slots=True)
class Register:
    """One register of a board as wired.

    An effect is one phrase that goes on from "a read" or "a write", e.g. "clears DONE and lets INT go"; "" when the
    access does nothing besides giving or keeping the byte. The pre-burn check looks at spare cycles of the CPU where
    there is an effect.

    Attributes:
        offset: what the card's address pins carry.
        name: as the data sheet or the board prints it, in lower case for ours.
        access: "r", "w" or "rw".
        bits: names of the bits, bit 0 first; "" for a bit without a name. Empty when the bits have no names.
        driven: mask of the bits the card drives on a read; the others keep the open-bus value.
        help: what the byte means, for people, where name and bits do not say it.
        read_effect: what a read does besides giving the byte.
        write_effect: what a write does besides keeping the byte.
        writes_wait: a write moves no line, arms no call and shows in no other card until this card is called again;
            an engine may hand such writes over later, in order, each with its address and cycle.
        is_port: the named bits are pins of the card of these names, whose lines say what a bit means in a machine.

    Raises:
        SimkitError: something is said of reads or of writes that `access` rules out.
    """

    offset: int
    name: str
    access: str
    bits: tuple[str, ...] = ()
    driven: int = 0xFF
    help: str = ""
    read_effect: str = attrs.field(default="", validator=_possible("r", "read"))
    write_effect: str = attrs.field(default="", validator=_possible("w", "written"))
    writes_wait: bool = attrs.field(default=False, validator=_possible("w", "written"))
    is_port: bool = False


@attrs.frozen(slots=True)
class PlainMemory:
    """Views of a buffer that reads and writes need not be told about.

    Attributes:
        read: what a read finds, or None when reads must call the card; keeps its identity for the card's life.
        write: where a write lands, or None when writes must call the card (or are ignored by it: see `ignores_writes`).
        ignores_writes: a write changes nothing on the card (ROM).
        reports: of such a write all that comes is a finding of this rule, by `slot.report`; where findings are only
            counted any more, the kit may do so without calling the card. "": the card must be called.
    """

    read: bytearray | memoryview | None
    write: bytearray | memoryview | None
    ignores_writes: bool = False
    reports: str = ""
