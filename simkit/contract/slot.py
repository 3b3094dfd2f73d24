"""The slot: what a card knows of the machine it is plugged into."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from simkit.contract.clock import Crystal
from simkit.contract.lines import Pin
from simkit.contract.ports import Port

if TYPE_CHECKING:
    from simkit.contract.findings import Findings
    from simkit.contract.host import Host


_CHANCES_KEPT = 64  # names; what a card makes up anew each time is not worth keeping


class Slot:
    """What a card knows of the machine: its slot number, its pins, events, seeded chance, and where to report.

    Attributes:
        number: slot number in the machine file.
        clock_hz: machine clock in Hz, exact.
        seed: seed of the machine.
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
    ) -> None:
        self.number = number
        self.clock_hz = clock_hz
        self.seed = seed
        self.ports: dict[str, Port] = {}
        self.pins: dict[str, Pin] = {}
        self._findings = findings
        self._host = host
        self._phases = dict(crystal_phases or {})
        self._memory = memory
        self._seen: int | None = None
        self.late: int | None = None
        self._chances: dict[str, hashlib.blake2b] = {}  # by name, up to where the cycle follows

    # events ---------------------------------------------------------------------------------------------------------

    def at(self, cycle: int, name: str) -> None:
        """Have `card.event(name, cycle)` called in phase 0 of `cycle`; one pending call a name, re-armable."""
        assert self._host is not None
        self._host.arm(cycle, self.number, name)

    def cancel(self, name: str) -> None:
        """Take a pending call back; nothing happens when there is none."""
        assert self._host is not None
        self._host.disarm(self.number, name)

    def armed(self, name: str) -> int | None:
        """Cycle the named call is pending for, or None."""
        assert self._host is not None
        return self._host.armed(self.number, name)

    # chance ---------------------------------------------------------------------------------------------------------

    def chance(self, name: str, cycle: int) -> float:
        """A number from 0 up to 1 that depends on (seed, slot, name, cycle) alone, never on how often it is asked."""
        begun = self._chances.get(name)
        if begun is None:
            begun = hashlib.blake2b(f"{self.seed}/{self.number}/{name}/".encode(), digest_size=8)
            if len(self._chances) < _CHANCES_KEPT:
                self._chances[name] = begun
        text = begun.copy()
        text.update(b"%d" % cycle)
        return int.from_bytes(text.digest()) / 2**64

    def noise(self, name: str, length: int) -> bytes:
        """`length` seeded bytes, e.g. what a memory holds at power-up."""
        return hashlib.shake_128(f"{self.seed}/{self.number}/{name}".encode()).digest(length)

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
        """
        return memoryview(bytearray(size)) if self._memory is None else self._memory(size)

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
        pc = None
        if self._host is not None:
            pc = self._host.access_pc(cycle)
            if address is None:
                address = self._host.access_address
        self._findings.add(rule, cycle, message, address=address, slot=self.number, pc=pc)

    @property
    def spare(self) -> bool:
        """Whether the read under way is a spare cycle of the CPU: the byte goes nowhere.

        No board can know that. It is for findings alone, so that a card does not report what the program did not do.
        """
        return self._host is not None and self._host.spare_read

    @property
    def data_before(self) -> int:
        """Byte on the data lines in the cycle before the access under way: what a latch that is too early takes."""
        if self._seen is not None:
            return self._seen
        return self._host.data_before(self.number) if self._host is not None else 0xFF

    def let_see(self, byte: int | None, cycle: int | None = None) -> None:
        """A write that waited is about to be handed over; None: none is any more.

        Args:
            byte: what `data_before` says meanwhile; None: what the bus says.
            cycle: in which the CPU made the write.
        """
        self._seen, self.late = byte, cycle

    def changed(self, start: int, end: int) -> None:
        """Announce that bytes start .. end-1 of the plain memory changed other than by the bus."""
        if self._host is not None:
            self._host.memory_changed(self.number, start, end)
