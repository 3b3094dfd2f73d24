"""The slot: what a card knows of the machine it is plugged into."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from simkit.contract.clock import Crystal
from simkit.contract.errors import CardMisuse, near, shown
from simkit.contract.events import NEVER
from simkit.contract.lines import Pin
from simkit.contract.ports import Port
from simkit.contract.shapes import as_whole
from simkit.contract.turn import ANY_TIME, WAITED

if TYPE_CHECKING:
    from simkit.contract.findings import Findings
    from simkit.contract.host import Host


_CHANCES_KEPT = 64  # names; what a card makes up anew each time is not worth keeping
_PIECE = 256  # bytes in which memory is counted: engines have it by pages

MOST_WORDS = 4_000
"""Characters of a report."""
MOST_MEMORY = 1 << 24
"""Bytes of plain memory that a card may have, and of noise that it may ask for in one go: what 24 lines reach."""


def _not_plugged_in(did: str) -> CardMisuse:
    """What a card does that is made only to be asked what it needs."""
    return CardMisuse(f"{did} before it was plugged in", "Do that in `power_on`, which is called once it is.")


class Slot:
    """What a card knows of the machine: its slot number, its pins, events, seeded chance, and where to report.

    Attributes:
        number: slot number in the machine file.
        clock_hz: machine clock in Hz, exact.
        seed: seed of the machine.
        named: what the card leaves to chance, by name, as far as it has asked: the first of very many.
        ports: ports the card opened, by name.
        pins: pins of the card, by name.
        late: cycle of the write that waited and is being handed over, or None.
    """

    def __init__(
        self,
        number: int,
        clock_hz: Fraction,
        seed: int,
        findings: Findings,
        host: Host | None = None,
        crystal_phases: Mapping[str, Fraction] | None = None,
        memory: Callable[[int], memoryview] | None = None,
        seeds: Mapping[str, int] | None = None,
    ) -> None:
        self._number = number
        self.clock_hz = clock_hz
        self.seed = seed
        self.named: set[str] = set()
        self._seeds = seeds or {}  # by name, of what has one of its own
        self.ports: dict[str, Port] = {}
        self.pins: dict[str, Pin] = {}
        self._findings = findings
        self._host = host
        self._turn = ANY_TIME if host is None else host.turn
        self._sealed = False
        self._phases = dict(crystal_phases or {})
        self._memory = memory
        self._memory_given = 0
        self._seen: int | None = None
        self.late: int | None = None
        self._chances: dict[str, hashlib.blake2b] = {}  # by name, up to where the cycle follows

    @property
    def number(self) -> int:
        """Slot number in the machine file."""
        return self._number

    def seal(self) -> None:
        """The card is made: from now on no port is opened."""
        self._sealed = True

    # events ---------------------------------------------------------------------------------------------------------

    def at(self, cycle: int, name: str) -> None:
        """Have `card.event(name, cycle)` called in phase 0 of `cycle`; one pending call a name, re-armable.

        Armed in an access for the cycle of that access, it comes in the next one.

        Raises:
            CardMisuse: no such cycle or name, a cycle that is over, or it is not the card's turn.
        """
        if self._host is None:
            raise _not_plugged_in(f"armed the event {shown(name)}")
        now = self._turn.cycle
        if type(cycle) is not int or not now <= cycle <= NEVER or now < 0 or type(name) is not str:
            cycle, name = self._arming(cycle, name)
        self._host.arm(cycle, self._number, name)

    def _arming(self, cycle: Any, name: Any) -> tuple[int, str]:
        """What is armed, if it may be.

        Raises:
            CardMisuse: it may not.
        """
        remedy = "Arm it for a whole number of cycles from now on, e.g. self.slot.at(cycle + 100, name)."
        if not isinstance(name, str):
            raise CardMisuse(f"armed an event called {shown(name)}", "Give events a text as their name.")
        did, when = f"armed the event {shown(name)} for cycle {shown(cycle)}", as_whole(cycle)
        if when is None:
            raise CardMisuse(f"{did}, which is no whole number", remedy)
        if not 0 <= when <= NEVER:
            raise CardMisuse(f"{did}, which does not exist", remedy)
        if when < self._turn.cycle:
            raise CardMisuse(f"{did}, which is over: it is cycle {self._turn.cycle}", remedy)
        self._turn.check(self._number, did)
        return when, str(name)

    def cancel(self, name: str) -> None:
        """Take a pending call back; nothing happens when there is none.

        Raises:
            CardMisuse: it is not the card's turn.
        """
        if self._host is None:
            raise _not_plugged_in(f"cancelled the event {shown(name)}")
        if self._turn.cycle < 0 and self._host.armed(self._number, name) is not None:
            self._turn.check(self._number, f"cancelled the event {shown(name)}")
        self._host.disarm(self._number, name)

    def armed(self, name: str) -> int | None:
        """Cycle the named call is pending for, or None."""
        if self._host is None:
            raise _not_plugged_in(f"asked when the event {shown(name)} comes")
        return self._host.armed(self._number, name)

    # chance ---------------------------------------------------------------------------------------------------------

    def chance(self, name: str, cycle: int) -> float:
        """A number from 0 up to 1 that depends on (seed, slot, name, cycle) alone, never on how often it is asked."""
        begun = self._chances.get(name)
        if begun is None:
            begun = hashlib.blake2b(f"{self._seed_of(name)}/{self._number}/{name}/".encode(), digest_size=8)
            if len(self._chances) < _CHANCES_KEPT:
                self._chances[name] = begun
        text = begun.copy()
        text.update(b"%d" % cycle)
        return int.from_bytes(text.digest()) / 2**64

    def noise(self, name: str, length: int) -> bytes:
        """`length` seeded bytes, e.g. what a memory holds at power-up.

        Raises:
            CardMisuse: no length, or more than MOST_MEMORY.
        """
        if as_whole(length) is None or not 0 <= length <= MOST_MEMORY:
            raise CardMisuse(f"asked for {shown(length)} bytes of noise", f"Ask for 0 to {MOST_MEMORY}.")
        return hashlib.shake_128(f"{self._seed_of(name)}/{self._number}/{name}".encode()).digest(length)

    def _seed_of(self, name: str) -> int:
        if len(self.named) < _CHANCES_KEPT:
            self.named.add(name)
        return self._seeds.get(name, self.seed)

    def crystal(self, hz: Fraction, name: str = "crystal") -> Crystal:
        """The card's own crystal; its phase at cycle 0 is seeded."""
        phase = self._phases.get(name)
        if phase is None:
            phase = Fraction(int(self.chance("phase of " + name, 0) * 4096), 4096)
        return Crystal(hz, self.clock_hz, phase)

    # memory ---------------------------------------------------------------------------------------------------------

    def memory(self, size: int) -> memoryview:
        """Plain memory of the card, zeros; to be asked for in the card's `__init__`, where sizes come from settings.

        Engines reach what comes from here fastest, once `plain_memory` shows it; a buffer of the card's own is right
        too, and slow.

        Raises:
            CardMisuse: no size, or with what it has more than MOST_MEMORY.
        """
        bytes_wanted = as_whole(size)
        if bytes_wanted is None or not 0 < bytes_wanted <= MOST_MEMORY:
            raise CardMisuse(f"asked for {shown(size)} bytes of memory", f"Ask for 1 to {MOST_MEMORY}.")
        size = bytes_wanted
        if self._memory_given + -(-size // _PIECE) * _PIECE > MOST_MEMORY:
            raise CardMisuse(
                f"asked for {size} bytes of memory and had {self._memory_given} already",
                f"A card has {MOST_MEMORY} at the most.",
            )
        self._memory_given += -(-size // _PIECE) * _PIECE
        return memoryview(bytearray(size)) if self._memory is None else self._memory(size)

    # the outside ----------------------------------------------------------------------------------------------------

    def port(self, port: Any) -> Any:
        """Open a port, in the card's `__init__`; gives it back.

        Raises:
            CardMisuse: it is no port, its name is taken, or the card is made already.
        """
        if not isinstance(port, Port):
            raise CardMisuse(f"opened {shown(port)}, which is no port", "Open one of those of simkit.contract.")
        if not isinstance(port.name, str) or port.name in self.ports:
            raise CardMisuse(f"opened a port with the name {shown(port.name)}", "Name each port by a text of its own.")
        if self._sealed:
            raise CardMisuse(f"opened port {port.name!r} when it was made already", "Open ports in `__init__`.")
        self.ports[port.name] = port
        return port

    def pin(self, name: str) -> Pin:
        """The card's pin of that name (declared in `Card.pins`).

        Raises:
            CardMisuse: it declares none of that name.
        """
        try:
            return self.pins[name]
        except (KeyError, TypeError):
            remedy = near(str(name), self.pins) or "`pins` declares none."
            raise CardMisuse(f"asked for its pin {shown(name)}, which it does not declare", remedy) from None

    def report(self, rule: str, cycle: int, message: str, *, address: int | None = None) -> None:
        """Report that the program or the wiring broke a rule of the hardware.

        Args:
            rule: short name with hyphens, e.g. "video-access-too-soon".
            cycle: when.
            message: one sentence for people: what, how far off, what the hardware does.
            address: bus address; None takes that of the current access, if there is one.

        Raises:
            CardMisuse: one of them is of another kind or has no end, or it is not the card's turn.
        """
        if self._turn.cycle < 0 and self._turn.cycle != WAITED:
            self._turn.check(self._number, f"reported {shown(rule)}")
        for name, value in (("rule", rule), ("message", message)):
            if not isinstance(value, str) or not value:
                raise CardMisuse(f"reported the {name} {shown(value)}", "Report a rule and a message as texts.")
        if len(message) > MOST_WORDS or len(rule) > MOST_WORDS:
            raise CardMisuse(f"reported {shown(rule)} in {len(message)} characters", "Report it in a sentence or two.")
        when, where = as_whole(cycle), None if address is None else as_whole(address)
        if when is None or not -NEVER <= when <= NEVER:
            raise CardMisuse(f"reported {rule!r} in cycle {shown(cycle)}", "Hand on the cycle of the call.")
        if address is not None and (where is None or not 0 <= where <= 0xFFFF):
            raise CardMisuse(f"reported {rule!r} at the address {shown(address)}", "Give $0000 to $FFFF, or leave it.")
        rule, cycle, message, address = str(rule), when, str(message), where
        if self._findings.counts_only(rule, self._number):
            self._findings.count_more(rule, self._number, 1)
            return
        pc = None
        if self._host is not None:
            pc = self._host.access.pc(cycle)
            if address is None:
                address = self._host.access.address
        self._findings.add(rule, cycle, message, address=address, slot=self._number, pc=pc)

    @property
    def accessed(self) -> str:
        """Bus address of the access under way in words, "$7F10", for messages of findings; else "its addresses".

        A card sees its own pins alone; whoever reads of a finding wants the address that the program used.
        """
        address = None if self._host is None else self._host.access.address
        return "its addresses" if address is None else f"${address:04X}"

    @property
    def spare(self) -> bool:
        """Whether the read under way is a spare cycle of the CPU: the byte goes nowhere.

        No board can know that. It is for findings alone, so that a card does not report what the program did not do.
        """
        return self._host is not None and self._host.access.spare

    @property
    def fetching(self) -> bool:
        """Whether the read under way fetches an opcode or a vector: the program runs from what the card gives.

        As `spare`, for findings alone: of SYNC and VPB most boards see nothing.
        """
        return self._host is not None and self._host.access.fetching

    @property
    def reading(self) -> bool:
        """Whether the access under way is a read: R/W as a card sees it whose strobe is true for both."""
        return self._host is not None and self._host.access.reading

    @property
    def data_before(self) -> int:
        """Byte on the data lines in the cycle before the access under way: what a latch that is too early takes."""
        if self._seen is not None:
            return self._seen
        return self._host.data_before(self._number) if self._host is not None else 0xFF

    def let_see(self, byte: int | None, cycle: int | None = None) -> None:
        """A write that waited is about to be handed over; None: none is any more.

        Args:
            byte: what `data_before` says meanwhile; None: what the bus says.
            cycle: in which the CPU made the write.
        """
        self._seen, self.late = byte, cycle

    def hide_memory(self, hidden: bool) -> None:
        """Have every access of the plain memory come to the card from now on, as reads find something else there.

        A flash that is busy, for instance. It is part of what the card is: say it again in `load`.

        Args:
            hidden: False shows the memory again; a memory is shown when power comes up.

        Raises:
            CardMisuse: it is not the card's turn.
        """
        if self._turn.cycle < 0:
            self._turn.check(self._number, "hid its memory")
        if self._host is not None:
            self._host.hide_memory(self._number, bool(hidden))

    def changed(self, start: int, end: int) -> None:
        """Announce that bytes start .. end-1 of the plain memory changed other than by the bus.

        Raises:
            CardMisuse: these are no places of a memory, or it is not the card's turn.
        """
        first, last = as_whole(start), as_whole(end)
        if first is None or last is None or not 0 <= first <= last:
            raise CardMisuse(
                f"announced that memory changed from {shown(start)} to {shown(end)}",
                "Give the first place, and the one behind the last.",
            )
        start, end = first, last
        if self._turn.cycle < 0:
            self._turn.check(self._number, "announced that its memory had changed")
        if self._host is not None:
            self._host.memory_changed(self._number, start, end)
