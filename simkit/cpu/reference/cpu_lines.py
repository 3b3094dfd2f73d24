"""Lines of the CPU beside those that it samples: SYNC, VPB, MLB, RDY while it waits; and BE, which floats its bus.

Nobody drives them on a machine on which nobody hears them, and nothing is slower there. Where one is heard, every
access is made by the reference engine, and the line moves before the access is decoded.

Sources: Western Design Center, W65C02S data sheet, section 3: BE, MLB, RDY, SYNC, VPB. That nothing is selected while
BE floats the bus is ours: address lines that nobody drives read as anything.
"""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.banks import decode_lines
from simkit.backplane.bus import Bus
from simkit.backplane.cpu_pins import OUTPUTS
from simkit.backplane.cycle import SYNC, Kind
from simkit.backplane.joining import join_cpu
from simkit.backplane.wiring import Done
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.cpu.isa.opcodes import OPCODES

OPEN_BE = "BE left open"
"""Line of a BE pin that no wire reaches."""
FLOATS_FOR, FLOATS_LOW = 64, 1 / 16
"""Cycles for which such a pin stays as it is, and how often it is low: ours. An open CMOS input follows whatever is
near (from memory), so that the bus is off at random; the sheet says no more than that BE is an input."""
_LED_ON = (Done.JOINED, Done.SHORTED, Done.EXCHANGED, Done.INVERTED)
LOCKED = frozenset({"ASL", "DEC", "INC", "LSR", "ROL", "ROR", "TRB", "TSB"})
"""Instructions of which MLB is low in the last three cycles, where they change memory (section 3, MLB)."""
LOCKED_FROM = {"zp": 2, "zpx": 3, "abs": 3, "absx": 4}
"""Cycles of such an instruction before its last three; a shift of absolute,X that crosses no page has one less."""
_SHIFTS = frozenset({"ASL", "LSR", "ROL", "ROR"})
_TWO_WAYS = (Drive.INPUT, Drive.PUSH_PULL, Drive.THREE_STATE)


def _locks(part: str) -> dict[int, tuple[int, bool]]:
    """By opcode: cycles before MLB falls, and whether one less where no page is crossed."""
    return {
        opcode.code: (LOCKED_FROM[opcode.mode], opcode.mode == "absx" and opcode.mnemonic in _SHIFTS)
        for opcode in OPCODES[part]
        if opcode.mnemonic in LOCKED and opcode.mode in LOCKED_FROM
    }


class CpuLines:
    """The lines of one CPU that somebody hears.

    Attributes:
        released: BE is low in the access under way.
        vector: the CPU fetches a vector.
        outputs: names of those that the CPU drives.
    """

    def __init__(self, part: str, bus: Bus, heard: Sequence[str]) -> None:
        self.released = False
        self.vector = False
        self._bus = bus
        self._pins = {name: Pin(_spec(name), OUTSIDE_MACHINE) for name in heard}
        join_cpu(bus.nets, self._pins, bus.wiring)
        self._be = self._pins.pop("BE", None)
        self.outputs = tuple(self._pins)
        for name, pin in self._pins.items():
            pin.drive(name != "SYNC", 0)
        self._ready = bus.nets.line("RDY")
        self._near: Pin | None = None
        if self._be is not None and self._be.line is None:
            pull = bus.wiring.pull("BE")
            line = bus.nets.line(OPEN_BE, pull is not Done.PULLED_DOWN)
            line.join(self._be)
            if pull not in (Done.PULLED_UP, Done.PULLED_DOWN):
                self._near = Pin(PinSpec(name="what is near", drive=Drive.PUSH_PULL), OUTSIDE_MACHINE)
                line.join(self._near)
        self._locks = _locks(part)
        self._lock: tuple[int, bool] | None = None
        self._done = 0  # accesses of the instruction that are over
        self._low = 0  # low byte of its address

    def begin(self, kind: Kind, cycle: int, x: int) -> None:
        """The CPU puts an access out; the lines move before anything is decoded."""
        if kind in SYNC:
            self._done, self._lock = 0, None
        levels = {"SYNC": kind in SYNC, "VPB": not self.vector, "MLB": not self._locked(x)}
        for name, pin in self._pins.items():
            if pin.value is not levels[name]:
                pin.drive(levels[name], cycle)
        if self._near is not None:
            self._near.drive(self._bus.chance("BE", cycle // FLOATS_FOR) >= FLOATS_LOW, cycle)
        if self._bus.nets.queue:
            self._bus.settle(cycle)
        if self._be is not None:
            self._look_at_be(self._be, cycle)

    def _locked(self, x: int) -> bool:
        if self._lock is None:
            return False
        first, shorter = self._lock
        return self._done >= first - (shorter and self._low + x <= 0xFF)

    def _look_at_be(self, pin: Pin, cycle: int) -> None:
        be = pin.line
        self.released = be is not None and not be.level
        if be is not None and self.released and self._ready.level and max(be.since, self._ready.since) == cycle:
            self._bus.findings.add(
                "bus-released",
                cycle,
                "BE is low and the CPU runs on: its address, data and R/W lines float, so that it reads whatever is on "
                "the bus, and its writes go nowhere.",
            )

    def ended(self, kind: Kind, value: int) -> None:
        """An access is over, repeats of it too."""
        if kind is Kind.FETCH:
            self._lock = self._locks.get(value)
        elif self._done == 1:
            self._low = value
        self._done += 1


def _spec(name: str) -> PinSpec:
    return PinSpec(name=f"CPU {name}", drive=Drive.INPUT if name == "BE" else Drive.PUSH_PULL)


def heard_lines(part: str, bus: Bus) -> CpuLines | None:
    """The lines that a card hears, or that stand in the decoding, or that wiring leads on; None when there are none."""
    deciding = {line.name for line in decode_lines(bus.seats, bus.nets, bus.wiring)}
    led_on = {entry.name for entry in bus.wiring.cpu_entries() if entry.done in _LED_ON}
    led_on |= {entry.other for entry in bus.wiring.cpu_entries() if entry.done is Done.EXCHANGED}
    heard = [name for name in OUTPUTS[part] if name in deciding or name in led_on or _pins(bus, name)]
    be = bus.nets.lines.get("BE")
    low_or_open = any(entry.name == "BE" and entry.done is Done.OPEN for entry in bus.wiring.cpu_entries())
    low_or_open |= be is not None and not be.level
    if part == "65C02" and (_pins(bus, "BE") or "BE" in led_on or low_or_open):
        heard.append("BE")
    return CpuLines(part, bus, heard) if heard else None


def ready_output(part: str, bus: Bus) -> Pin | None:
    """The pin with which WAI pulls RDY low, where somebody hears or fights it; joined to the line."""
    line = bus.nets.line("RDY")
    deciding = line in decode_lines(bus.seats, bus.nets, bus.wiring) or line.tied is True
    if part != "65C02" or not (deciding or any(pin.spec.drive in _TWO_WAYS or pin.spec.listens for pin in line.pins)):
        return None
    pin = Pin(PinSpec(name="CPU RDY", drive=Drive.OPEN_DRAIN), OUTSIDE_MACHINE)
    line.join(pin)
    return pin


def _pins(bus: Bus, name: str) -> bool:
    line = bus.nets.lines.get(name)
    return line is not None and bool(line.pins)
