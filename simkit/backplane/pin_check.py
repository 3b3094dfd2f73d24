"""What wiring does to pins of cards and to lines that no cycle shows: inputs left open, resets held, outputs shorted.

An open input of a CMOS part follows whatever is near; what it is taken for here is said with each (see `wiring.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from simkit.backplane.bus import Bus
from simkit.backplane.joining import RAILS
from simkit.backplane.seat import Seat
from simkit.backplane.wiring import DATA_LINES, Done, Entry, is_cpu_line
from simkit.contract.card import Card
from simkit.contract.findings import Findings
from simkit.contract.lines import SYSTEM_LINES, Drive


def check_pins(bus: Bus, findings: Findings) -> None:
    """Report them; call once the cards have taken their power-on levels."""
    for rule, text in (*_open(bus, bus.wiring.line_entries()), *_shorted(bus.wiring.line_entries())):
        findings.add(rule, 0, text)
    for seat in bus.seats:
        entries = [*seat.wiring.line_entries(), *seat.wiring.pin_entries()]
        for rule, text in (*_open(bus, entries), *_shorted(entries), *_reset(seat)):
            findings.add(rule, 0, f"{seat.name}: {text}", slot=seat.slot)
    for name in list(bus.nets.lines):
        _pulled(bus, name, findings)


def _pulled(bus: Bus, name: str, findings: Findings) -> None:
    """Report a line with open-drain outputs that nothing drives or pulls high."""
    moving, drivers = bus.nets.moving(name), [pin for pin in bus.nets.drivers(name) if pin.slot > 0]
    stages = {pin.spec.drive for pin in drivers}
    if Drive.OPEN_DRAIN not in stages or Drive.PUSH_PULL in stages or name in RAILS:
        return
    if any(line.pull is True or line.tied is not None for line in moving):
        return
    down = any(line.pull is False for line in moving)
    if name in SYSTEM_LINES and not down:
        return  # told with the pins of the CPU
    what = "a resistor pulls it down: nobody takes it high" if down else "nothing pulls it up: once low it stays low"
    text = f"The outputs on the line {name} only pull low, and {what}. Put a resistor from it to the supply."
    findings.add("line-undriven", 0, text, slot=next(pin.slot for pin in drivers if pin.spec.drive is Drive.OPEN_DRAIN))


def _open(bus: Bus, entries: Iterable[Entry]) -> Iterator[tuple[str, str]]:
    """Address and data pins, or lines, that end in the air; of RW and PHI2 the strobes tell."""
    for entry in entries:
        name = entry.name
        if entry.done is not Done.OPEN or not name[1:].isdigit() or bus.wiring.pull(name) is not None:
            continue
        if entry.slot is None:
            what = f"The line {name} is open between the CPU and the cards"
        else:
            what = f"its pin {name} is open" if entry.at_pin else f"the line {name} is open where it comes in"
        if name in DATA_LINES:
            taken = "reads take what floats there for that bit, writes a 1"
        else:
            taken = "it follows whatever is near, and is taken as high"
        yield "input-open", f"{what}: {taken}. Join it."


def _shorted(entries: Iterable[Entry]) -> Iterator[tuple[str, str]]:
    """Address, data and control lines that are shorted with one another, which two outputs drive."""
    for entry in entries:
        if entry.done is Done.SHORTED and is_cpu_line(entry.name) and is_cpu_line(entry.other):
            whose = "its pins " if entry.at_pin else ""
            text = (
                f"{whose}{entry.name} and {entry.other} are shorted: two outputs fight whenever they differ; "
                "the low one wins here. Look for a bridge of solder."
            )
            yield "output-fight", text


def _reset(seat: Seat) -> Iterator[tuple[str, str]]:
    """A reset pin that is held, or open."""
    if type(seat.card).reset is Card.reset:
        return
    if seat.held_in_reset:
        yield (
            "reset-held",
            "its RESET is low though the line is not: the part stays in reset and takes no write. "
            "Look how RESET comes in at the slot.",
        )
    elif any(entry.name == "RESET" and entry.done is Done.OPEN for entry in seat.wiring.line_entries()):
        yield (
            "input-open",
            "its RESET is open: it follows whatever is near, and is taken as high, so that the part is not reset with "
            "the others. Join it.",
        )
