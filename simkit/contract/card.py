"""The contract of a card: what the machine asks of it.

A card imports `simkit.contract` and nothing else of the kit. It opens no file, reads no host clock, writes no log,
keeps no module-level state. It is lazy: it works out what it is from the cycle number when asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, ClassVar

from simkit.contract.limits import Limit
from simkit.contract.lines import PinSpec
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.slot import Slot
from simkit.contract.state import begin_with_defaults, load_data, to_data


class Card:
    """Base of all cards.

    A read is `advance`, `peek`, then the side effects, so that they cannot disagree. Everything a card remembers is in
    `save`: what `remembers` and `saved` declare, or what a card puts together itself. A line or watched pin moves only
    in `event`, `outside`, `pin_changed` or in the current access.
    """

    kind: ClassVar[str]
    """Its name in a machine file and its entry point."""
    Settings: ClassVar[type]
    """attrs class of jumpers, switches and options; each field made with `setting`."""
    model: ClassVar[int] = 1
    """Raised when the card's behaviour or the meaning of its saved state changes; states and recordings carry it."""
    title: ClassVar[str] = ""
    """What people call such a card, in a few words: "Keyboard controller"; "": its kind is said."""
    faithful_to: ClassVar[str] = ""
    """Parts the model follows, for `simkit cards`."""
    pin_names: ClassVar[Mapping[str, str]] = {}
    """What data sheets call a pin, by that name: {"RS0": "A0", "CSW": "WE"}. OE and WE, low when true, are the other
    end of the output enable and the write enable of every card, its chip selects of the select."""
    own_phi2: ClassVar[bool] = False
    """Whether the part has a PHI2 pin of its own, as those of the 65xx family: it acts while PHI2 is high alone, and
    its selects must be valid before PHI2 rises."""
    winning_strobe: ClassVar[str] = ""
    """Which strobe counts where both are true: "write" (its data pins are off then, as those of static RAM), "output"
    (it takes nothing then, as an EEPROM); "" where both act."""

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

    @classmethod
    def chip_selects(cls, settings: Any) -> Mapping[str, bool]:
        """Pins that select the part, each with its level when true (True is high): all of them together select it.

        In a machine file the select is the decoder's output, which stands at the first that is low when true; the
        others are tied to their levels.
        """
        return {"CE": False}

    @classmethod
    def contacts(cls, settings: Any) -> Mapping[int, str]:
        """Contacts of the part's package by number, each with the name that its sheet has for it; {}: not known."""
        return {}

    @classmethod
    def constants(cls, settings: Any) -> Mapping[str, tuple[int, str]]:
        """What a program must know of the board besides registers: by name a number, and a line of help.

        The size of a buffer, say. Names of registers and their bits are in the table of registers.
        """
        return {}

    @classmethod
    def image_size(cls, settings: Any) -> int | None:
        """Bytes of the part in the card's socket that takes an image (a ROM's content); None: it has no socket."""
        return None

    @classmethod
    def limits(cls, settings: Any, clock_hz: Fraction) -> Sequence[Limit]:
        """Times that parts on the card must have and that a clock decides over, for the timing budget.

        Of the part on the bus itself the machine file says which it is (`part`); these are of what lies behind it, and
        the card reports them itself where they are broken.
        """
        return ()

    def __init__(self, settings: Any, slot: Slot) -> None:
        self.settings = settings
        self.slot = slot
        begin_with_defaults(self)
        self.image = b""
        """Bytes put into the socket by `insert`."""
        self.settled: dict[int, tuple[int, int]] = {}
        """Bytes that reads give for a while, by offset: (byte, first cycle for which it no longer holds).

        For cards whose `peek` costs much: it answers from here, and whatever else happens to the card clears it.
        """

    def insert(self, image: bytes) -> None:
        """Put an image into the socket; called before power-on, of cards with an `image_size` alone.

        Raises:
            ValueError: the image does not fit.
        """
        self.image = image

    def power_on(self, cycle: int) -> None:
        """Power comes up: everything undefined takes its seeded value, events are armed."""

    def kept(self, cycle: int) -> dict[str, Any]:
        """What stays when power goes: JSON values and bytes; {} for a card that forgets everything."""
        return {}

    def keep(self, kept: dict[str, Any]) -> None:
        """Power has come up again; take back what `kept` gave. Called after `power_on`, if there was anything."""

    def reset(self, asserted: bool, cycle: int) -> None:
        """The RESET line was asserted or released."""

    def left_unreset(self, cycle: int) -> None:
        """Power has come up and RESET does not get here: what it clears holds whatever it falls into."""

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

    def write_late(self, offset: int, values: bytes, cycles: Sequence[int], before: bytes) -> None:
        """Writes that waited: one after the other to one register whose table says `writes_wait`.

        Override it where many can be taken at once; what comes of it must be the same.

        Args:
            offset: of the register.
            values: bytes written.
            cycles: cycle of each, rising.
            before: byte on the card's data pins in the cycle before each, what `slot.data_before` says then.
        """
        for value, cycle, byte in zip(values, cycles, before, strict=True):
            self.slot.let_see(byte, cycle)
            self.write(offset, value, cycle)
        self.slot.let_see(None)

    def event(self, name: str, cycle: int) -> None:
        """A call armed with `slot.at` is due."""

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """Something happened at a port: a key, a button, a byte."""

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """The line on a listening pin changed."""

    def pin_followed(self, name: str, cycle: int) -> None:
        """Somebody begins to follow the line of an output with a `lazy_level`, and it moves in events now; or ends."""

    def save(self, cycle: int) -> dict[str, Any]:
        """State at the start of `cycle`, the same whenever the card was last asked: JSON values and bytes.

        Of a card made with `remembers` its saved attributes, once it is up to date.
        """
        self.advance(cycle)
        return to_data(self)

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave; every field is checked before anything changes.

        What was kept for speed is dropped, see `forget`.

        Raises:
            StateError: a field is missing, of another kind, out of range, or unknown.
        """
        load_data(self, state)
        self.forget()

    # Optional -------------------------------------------------------------------------------------------------------

    def forget(self) -> None:
        """Drop everything that is kept for speed alone; nobody can tell, but by the time it takes to find it again."""
        self.settled.clear()

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        """Machine cycles by which the card delays an access; asked only of cards that override it."""
        return 0

    def plain_memory(self) -> PlainMemory | None:
        """Buffers that engines may use without calling the card; None for cards with effects."""
        return None

    def rom(self) -> bytes | bytearray | memoryview | None:
        """What the card gives by offset when nothing but a deliberate write changes that: a ROM's content; else None.

        Whoever looks at a program without running it reads this.
        """
        plain = self.plain_memory()
        return plain.read if plain is not None and plain.write is None and plain.ignores_writes else None

    def holds_program(self, offset: int) -> bool:
        """Whether instructions may stand at the offset: in memory, not in a register.

        A card with registers and memory of its own that is no `plain_memory` (a banked ROM, say) overrides it.
        """
        return not type(self).registers(self.settings) or self.plain_memory() is not None

    def steady_until(self, offset: int, cycle: int) -> int:
        """A read of the register has no effect and its value cannot change before the cycle given back.

        An engine that waits in a loop leaves reads out by this word, and makes the last one: what that one does as
        well (noting when it came) is no effect. An access with an effect, an event of any card, an outside event or a
        moving pin ends the promise. `cycle` itself promises nothing; a card author can leave it so.
        """
        return cycle

    def unfinished(self) -> str:
        """What the program has begun with the last access and another access in between would break; "" for nothing."""
        return ""

    def standstill(self, bit: str, cycle: int) -> str:
        """Why a status bit will not change before the program writes to the card, for findings; "" when it may.

        Args:
            bit: name of a bit of a register, or of a pin with `request`: why the card does not ask.
            cycle: now.
        """
        return ""

    def set_up(self, cycle: int) -> bool:
        """The program has set the card up for something that would come to it; asked with `standstill` of a pin."""
        return False

    def left_undone(self, cycle: int) -> str:
        """What the program has begun to set up and not finished by `cycle`, for findings; "" for nothing."""
        return ""

    def words(self, cycle: int) -> list[str]:
        """What the card looks like inside, in words, one line each; for `simkit show`."""
        return []
