"""The contract of a card: what the machine asks of it, and the slot through which it reaches the machine.

A card imports only the contract layer (card, clock, events, findings, lines, ports). It opens no file, reads no host
clock, writes no log, keeps no module-level state. It is lazy: it works out what it is from the cycle number when asked.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import attrs

from simkit.clock import Crystal
from simkit.lines import Drive, Pin, PinSpec
from simkit.ports import Port

if TYPE_CHECKING:
    from simkit.bus import Bus
    from simkit.findings import Findings

__all__ = ["Card", "Drive", "Pin", "PinSpec", "PlainMemory", "Register", "Slot", "setting"]


def setting(
    default: Any,
    *,
    unit: str = "",
    help: str,
    one_of: tuple[object, ...] = (),
    low: int | None = None,
    high: int | None = None,
) -> Any:
    """A field of a card's Settings class.

    Args:
        default: its value when the machine file is silent.
        unit: unit of the value, for people.
        help: one line: what it is, with its source when the value comes from a sheet.
        one_of: the values allowed, when they can be counted.
        low: lowest value allowed.
        high: highest value allowed.
    """
    metadata = {"unit": unit, "help": help, "one_of": one_of, "low": low, "high": high}
    return attrs.field(default=default, metadata=metadata)


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


class Slot:
    """What a card knows of the machine: its slot number, its pins, events, seeded chance, and where to report.

    Attributes:
        number: slot number in the machine file.
        clock_hz: machine clock in Hz, exact.
        seed: seed of the machine.
        ports: ports the card opened, by name.
        pins: pins of the card, by name.
    """

    def __init__(
        self,
        number: int,
        clock_hz: Fraction,
        seed: int,
        findings: Findings,
        bus: Bus | None = None,
        crystal_phases: Mapping[str, Fraction] | None = None,
    ) -> None:
        self.number = number
        self.clock_hz = clock_hz
        self.seed = seed
        self.ports: dict[str, Port] = {}
        self.pins: dict[str, Pin] = {}
        self._findings = findings
        self._bus = bus
        self._phases = dict(crystal_phases or {})

    # events ---------------------------------------------------------------------------------------------------------

    def at(self, cycle: int, name: str) -> None:
        """Have `card.event(name, cycle)` called in phase 0 of `cycle`; one pending call a name, re-armable."""
        assert self._bus is not None
        self._bus.arm(cycle, self.number, name)

    def cancel(self, name: str) -> None:
        """Take a pending call back; nothing happens when there is none."""
        assert self._bus is not None
        self._bus.disarm(self.number, name)

    def armed(self, name: str) -> int | None:
        """Cycle the named call is pending for, or None."""
        assert self._bus is not None
        return self._bus.events.armed(self.number, name)

    # chance ---------------------------------------------------------------------------------------------------------

    def chance(self, name: str, cycle: int) -> float:
        """A number from 0 up to 1 that depends on (seed, slot, name, cycle) alone, never on how often it is asked."""
        text = f"{self.seed}/{self.number}/{name}/{cycle}".encode()
        return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest()) / 2**64

    def noise(self, name: str, length: int) -> bytes:
        """`length` seeded bytes, e.g. what a memory holds at power-up."""
        return hashlib.shake_128(f"{self.seed}/{self.number}/{name}".encode()).digest(length)

    def crystal(self, hz: Fraction, name: str = "crystal") -> Crystal:
        """The card's own crystal; its phase at cycle 0 is seeded."""
        phase = self._phases.get(name)
        if phase is None:
            phase = Fraction(int(self.chance("phase of " + name, 0) * 4096), 4096)
        return Crystal(hz, self.clock_hz, phase)

    # the outside ----------------------------------------------------------------------------------------------------

    def port(self, port: Any) -> Any:
        """Open a port; gives it back."""
        self.ports[port.name] = port
        return port

    def pin(self, name: str) -> Pin:
        """The card's pin of that name (declared in `Card.pins`)."""
        return self.pins[name]

    def report(self, rule: str, cycle: int, message: str, *, address: int | None = None) -> None:
        """Report that the program or the wiring broke a rule of the hardware.

        Args:
            rule: short name with hyphens, e.g. "video-access-too-soon".
            cycle: when.
            message: one sentence for people: what, how far off, what the hardware does.
            address: bus address; None takes that of the current access, if there is one.
        """
        if address is None and self._bus is not None:
            address = self._bus.access_address
        self._findings.add(rule, cycle, message, address=address, slot=self.number)

    @property
    def spare(self) -> bool:
        """Whether the read under way is a spare cycle of the CPU: the byte goes nowhere.

        No board can know that. It is for findings alone, so that a card does not report what the program did not do.
        """
        return self._bus is not None and self._bus.spare_read

    @property
    def data_before(self) -> int:
        """Byte on the data lines in the cycle before the access under way: what a latch that is too early takes."""
        return self._bus.data_before(self.number) if self._bus is not None else 0xFF

    def changed(self, start: int, end: int) -> None:
        """Announce that bytes start .. end-1 of the plain memory changed other than by the bus."""
        if self._bus is not None:
            self._bus.memory_changed(self.number, start, end)


class Card:
    """Base of all cards.

    A read is `advance`, `peek`, then the side effects, so that they cannot disagree. Everything a card remembers is in
    `save`. A line or watched pin moves only in `event`, `outside`, `pin_changed` or in the current access.
    """

    kind: ClassVar[str]
    """Its name in a machine file and its entry point."""
    Settings: ClassVar[type]
    """attrs class of jumpers, switches and options; each field made with `setting`."""
    faithful_to: ClassVar[str] = ""
    """Parts the model follows, for `simkit cards`."""

    @classmethod
    def registers(cls, settings: Any) -> tuple[Register, ...]:
        """The board as wired; empty for memory."""
        return ()

    @classmethod
    def pins(cls, settings: Any) -> tuple[PinSpec, ...]:
        """Pins that can be joined to lines in the machine file."""
        return ()

    @classmethod
    def address_pins(cls, settings: Any) -> int:
        """Number of address pins A0, A1, ... the card looks at; from the registers unless overridden."""
        offsets = [register.offset for register in cls.registers(settings)]
        return max(offsets).bit_length() if offsets else 0

    def __init__(self, settings: Any, slot: Slot) -> None:
        self.settings = settings
        self.slot = slot

    def power_on(self, cycle: int) -> None:
        """Power comes up: everything undefined takes its seeded value, events are armed."""

    def reset(self, asserted: bool, cycle: int) -> None:
        """The RESET line was asserted or released."""

    def advance(self, cycle: int) -> None:
        """Bring the card up to date with the start of `cycle`; monotone, idempotent, no visible effect."""

    def peek(self, offset: int, cycle: int) -> int:
        """Byte a read in `cycle` would give, without any effect."""
        return 0xFF

    def read(self, offset: int, cycle: int) -> int:
        """Read in `cycle`, with the side effects."""
        self.advance(cycle)
        return self.peek(offset, cycle)

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write in `cycle`."""

    def event(self, name: str, cycle: int) -> None:
        """A call armed with `slot.at` is due."""

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """Something happened at a port: a key, a button, a byte."""

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """The line on a listening pin changed."""

    def pin_followed(self, name: str, cycle: int) -> None:
        """Somebody begins to follow the line of an output with a `lazy_level`: from now on it moves in events."""

    def save(self, cycle: int) -> dict[str, Any]:
        """State at the start of `cycle`, the same whenever the card was last asked: JSON values and bytes."""
        return {}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave; every field is checked before anything changes."""

    # Optional -------------------------------------------------------------------------------------------------------

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        """Machine cycles by which the card delays an access; asked only of cards that override it."""
        return 0

    def plain_memory(self) -> PlainMemory | None:
        """Buffers that engines may use without calling the card; None for cards with effects."""
        return None

    def steady_until(self, offset: int, cycle: int) -> int:
        """A read of the register has no effect and its value cannot change before the cycle given back.

        An access or an outside event ends the promise. `cycle` itself promises nothing; a card author can leave it so.
        """
        return cycle

    def unfinished(self) -> str:
        """What the program has begun with the last access and another access in between would break; "" for nothing."""
        return ""

    def words(self, cycle: int) -> list[str]:
        """What the card looks like inside, in words, one line each; for `simkit show`."""
        return []
