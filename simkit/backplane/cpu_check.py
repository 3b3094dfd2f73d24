"""What wiring does to pins of the CPU that no cycle shows: outputs tied to a supply, inputs that float."""

from __future__ import annotations

from simkit.backplane.bus import Bus
from simkit.backplane.cpu_pins import CLOCK_OUTPUTS, OUTPUTS, PINS, contact
from simkit.backplane.wiring import CPU, PULLS, Done, Entry
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive

_INPUTS = ("BE", "IRQ", "NMI", "RDY", "RESET", "SO")


def check_cpu_pins(part: str, bus: Bus, findings: Findings) -> None:
    """Report what is done to pins of the CPU; call once lines are joined."""
    moved = bus.accesses.cpu_lines.outputs if bus.accesses.cpu_lines is not None else ()
    for entry in bus.wiring.entries:
        if entry.slot not in (None, CPU) or not entry.name:
            continue
        if entry.done in PULLS:
            if entry.done is Done.NOT_PULLED and entry.name in _INPUTS:
                _check_pulled(bus, entry.name, findings)
            continue
        name = contact(entry.name, part) if entry.slot == CPU else entry.name
        if entry.done in (Done.LOW, Done.HIGH):
            _check_tied(part, entry, name, name in moved, findings)
        elif entry.done is Done.OPEN and name in _INPUTS and bus.wiring.pull(name) is None:
            taken = "at random here" if name == "BE" else "as high here"
            text = (
                f"The input {name} of the CPU is open: it follows whatever is near, and is taken {taken}. "
                f"Join it to its line, or tie it high through a resistor."
            )
            findings.add("input-open", 0, text)
    if not bus.nets.line("RESET").level:
        text = "RESET of the CPU is low for good: it stays in reset and runs no program. Look what holds the line."
        findings.add("reset-held", 0, text)


def _check_pulled(bus: Bus, name: str, findings: Findings) -> None:
    """Report an input that no resistor pulls and no output drives high."""
    line = bus.nets.line(name)
    if line.tied is None and not any(pin.spec.drive is Drive.PUSH_PULL for pin in bus.nets.drivers(name)):
        text = (
            f"Nothing pulls the input {name} of the CPU up: it floats, and once pulled low it stays low. "
            "Put 3.3 kilohms to the supply."
        )
        findings.add("input-open", 0, text)


def _check_tied(part: str, entry: Entry, name: str, moved: bool, findings: Findings) -> None:
    rail = "ground" if entry.done is Done.LOW else "the supply"
    number = next((number for number, pin in PINS[part].items() if pin == name), 0)
    if name in OUTPUTS[part] or name in CLOCK_OUTPUTS[part]:
        if not moved:  # else the line itself tells, when they fight
            findings.add(
                "output-fight",
                0,
                f"{name} (pin {number}) is an output of the {part} and is shorted to {rail}. Leave the pin open: "
                "a socket made for another part may have a rail there.",
            )
    elif name == "RDY" and part == "65C02" and entry.done is Done.HIGH:
        text = "RDY is tied hard to the supply; WAI pulls it low from inside the W65C02S. Put 3.3 kilohms in between."
        findings.add("ready-tied", 0, text)
