"""Pins of the CPU that are no lines of the backplane, by part: what wiring does to each, and what cannot be simulated.

A socket keeps its wires when another part is put into it: pin 1 is ground (VSS) for the NMOS part and the output VPB of
the W65C02S, pin 36 is joined to nothing in the one and the input BE of the other. A sentence may therefore name a
contact ("CPU: pin 36 open") or a pin of either part; it means the contact.

Sources: Western Design Center, W65C02S data sheet, section 3 (VPB, MLB, BE, SYNC, RDY); numbers of pins from memory.
"""

from __future__ import annotations

from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import (
    CPU,
    CPU_PIN_LINES,
    DATA_LINES,
    GROUND,
    PULLS,
    SUPPLY,
    WITH_OTHER,
    Done,
    Entry,
    plain,
)
from simkit.contract.errors import SimkitError

_ADDRESSES = {number: f"A{number - (9 if number < 21 else 10)}" for number in (*range(9, 21), *range(22, 26))}
_DATA = dict(zip(range(33, 25, -1), DATA_LINES, strict=True))
_SAME = {2: "RDY", 4: "IRQ", 6: "NMI", 7: "SYNC", 21: "VSS", 34: "RW", 38: "SO", 40: "RESET", **_ADDRESSES, **_DATA}
NO_CONNECTION = "NC"
PINS = {
    "65C02": {**_SAME, 1: "VPB", 3: "PHI1O", 5: "MLB", 8: "VDD", 35: NO_CONNECTION, 36: "BE", 37: "PHI2", 39: "PHI2O"},
    "6502": {**_SAME, 1: "VSS", 3: "PHI1", 8: "VCC", 37: "PHI0", 39: "PHI2"}
    | dict.fromkeys((5, 35, 36), NO_CONNECTION),
}
"""Pin names by part and number of the 40-pin case (from memory)."""
OUTPUTS = {"65C02": ("SYNC", "VPB", "MLB"), "6502": ("SYNC",)}
"""Outputs that become lines where a card hears them, by part."""
CLOCK_OUTPUTS = {"65C02": ("PHI1O", "PHI2O"), "6502": ("PHI1",)}
"""Outputs that nobody hears here, by part."""
CLOCK_INPUT = {"65C02": "PHI2", "6502": "PHI0"}
NAMES = sorted({"GND", "VCC", "VDD", *PINS["6502"].values(), *PINS["65C02"].values()} - {NO_CONNECTION})
"""What pins of either part are called."""


def contact(name: str, part: str) -> str:
    """Name that a part's pin has at a contact, which is named by its number or by a pin of either part.

    Raises:
        SimkitError: there is no such pin.
    """
    pins = PINS[part]
    if name.isdigit():
        if int(name) not in pins:
            raise SimkitError(f"there is no pin {name}", remedy="The case has pins 1 to 40.")
        return pins[int(name)]
    if name in pins.values() or name in (*GROUND, *SUPPLY):
        return name
    others = {pin: number for known in PINS.values() for number, pin in known.items()}
    if name not in others:
        raise SimkitError(f"the CPU has no pin {name}", remedy=f"Write one of {', '.join(NAMES)}, or a number.")
    return pins[others[name]]


def at_part(entry: Entry, part: str) -> Entry:
    """What an entry at the CPU comes to with a part in the socket: as it is, or as what is done to a line or supply.

    Raises:
        SimkitError: it cannot be simulated; with what to write.
    """
    name = contact(entry.name, part)
    if name == NO_CONNECTION:
        return entry
    if name in (*GROUND, *SUPPLY):
        return _at_supply(entry, name, part)
    if name != entry.name and not entry.name.isdigit() and entry.done in WITH_OTHER:
        raise SimkitError(f"the {part} has no pin {entry.name}; {name} stands there", remedy=f"Say it of {name}.")
    same = Entry(entry.done, name, entry.other, CPU, at_pin=True)
    if name == CLOCK_INPUT[part]:
        remedy = "Take it out; a clock that fails is none that a program could tell of."
        raise SimkitError(f"{name} is the clock of the {part}: without it no cycle passes", remedy=remedy)
    if name in CLOCK_OUTPUTS[part]:
        if entry.done not in (Done.OPEN, Done.LOW, Done.HIGH):
            remedy = f'It may be open, low or high: "CPU: {name} open".'
            raise SimkitError(f"nothing here hears {name}, which other chips may have for a clock", remedy=remedy)
        return entry
    if name not in CPU_PIN_LINES:  # of a line of the backplane; PHI2 is one where the part puts it out
        place = "" if name == "PHI2" else "CPU: "
        return read_sentence(f"{place}{Entry(entry.done, name, entry.other)}")
    if entry.done is Done.LATE:
        raise SimkitError("only data lines are driven late", remedy='Write e.g. "D3 late".')
    if entry.done in PULLS and name != "BE":
        raise SimkitError(
            f"{name} is an output, which no resistor pulls", remedy=f'Write "CPU: {name} low" of a short.'
        )
    if entry.done is Done.EXCHANGED and plain(entry.other) not in (*OUTPUTS[part], "BE"):
        remedy = f"Exchange it with another of {', '.join((*OUTPUTS[part], 'BE'))}, or join it to a line."
        raise SimkitError(f"{name} is not exchanged with {entry.other}", remedy=remedy)
    return entry if name == entry.name else same


def _at_supply(entry: Entry, name: str, part: str) -> Entry:
    right = Done.LOW if name in GROUND else Done.HIGH
    if entry.done in (Done.OPEN, Done.REVERSED):
        return Entry(entry.done, name, "", CPU, at_pin=True)
    if entry.done is right:
        return entry  # where it belongs
    if entry.done in (Done.LOW, Done.HIGH):
        return Entry(Done.REVERSED, name, "", CPU, at_pin=True)
    where = "" if entry.name == name else f"; where {entry.name} is said there is {name}"
    raise SimkitError(
        f"a supply pin of the {part} is open, low, high or reversed{where}", remedy=f'Write "{name} open".'
    )
