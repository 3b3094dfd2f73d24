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
        own = (*_open_inputs(seat), *_reset(seat), *_let_go(bus, seat))
        for rule, text in (*_open(bus, entries), *_shorted(entries), *own):
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
            "the others, and begins with whatever its registers fall into. Join it.",
        )


def _open_inputs(seat: Seat) -> Iterator[tuple[str, str]]:
    """Inputs that a card brings out; where one has a jumper, the line that is left is told as driven by nobody."""
    pins = seat.connector.pins
    for entry in seat.wiring.pin_entries():
        pin = pins.get(entry.name)
        if entry.done is Done.OPEN and pin is not None and pin.spec.drive is Drive.INPUT and not pin.spec.jumpered:
            taken = "high" if pin.spec.open_level else "low"
            yield (
                "input-open",
                f"its pin {entry.name} is open: it follows whatever is near, and is taken as {taken}. Join it.",
            )


def _let_go(bus: Bus, seat: Seat) -> Iterator[tuple[str, str]]:
    """Outputs that the card's own pin OE, low to enable them, keeps off for good."""
    pins = seat.connector.pins
    enable = pins.get("OE")
    if enable is None or enable.spec.drive is not Drive.INPUT or not enable.level(0):
        return
    if enable.line is not None and bus.nets.drivers(enable.line.name):
        return
    lines = [pin.line.name for pin in pins.values() if pin.spec.drive is Drive.THREE_STATE and pin.line is not None]
    floating = [name for name in lines if all(pin.slot == seat.slot for pin in bus.nets.drivers(name))]
    if floating:
        yield (
            "line-undriven",
            f"its OE is high for good, so that it never drives {', '.join(floating)}. Join OE to ground, or to what "
            "shall enable the outputs.",
        )
