"""The programmable devices whose fuse maps are understood: 16V8, 20V8 and 22V10, and where each of their fuses is.

Which fuse does what: [GAL] C. Habermann, GAL descriptions `gal16_20v8.html`, `gal22v10.html`, `jedecfile.html` (1991
to 1996), which agree with `chips.rs` and `gal.rs` of an open assembler, S. Frankau's galette (2024). What is from the
makers' data sheets alone is from memory and says so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum

import attrs


class Mode(Enum):
    """How all macrocells of a 16V8 or 20V8 are built; those of a 22V10 each say it for themselves."""

    SIMPLE = "simple"
    COMPLEX = "complex"
    REGISTERED = "registered"
    EACH = "each macrocell by itself"


@attrs.frozen
class Macrocell:
    """Where the fuses of a macrocell are.

    Attributes:
        pin: its pin.
        first_row: its first row of the AND array.
        rows: how many rows it has, one that enables its output included.
        polarity: fuse that is 1 where the pin is what the rows say, 0 where it is the inverse (XOR; S0 of a 22V10).
        kind: fuse AC1, or S1 of a 22V10.
    """

    pin: int
    first_row: int
    rows: int
    polarity: int
    kind: int


@attrs.frozen
class Device:
    """A device.

    Attributes:
        name: as people call it, "16V8".
        pins: of its package.
        ground, supply: pins of the supply.
        fuse_counts: how many fuses a file for it may have.
        columns: width of a row of the AND array.
        cells: its macrocells.
        feeds: by mode, the even column of each pin that feeds the array; the odd one beside it has the inverse.
        row_enables: first of the fuses that take rows out (PTD), one a row; None where there are none.
        clock, output_enable: pins that do that in registered mode; None where the device has no such pin.
        reset_row, preset_row: rows that reset and preset all registers; None where there are none.
        signature: first of the 64 fuses of the signature, highest bit of each byte first.
        mode_fuses: the fuses SYN and AC0; None where each macrocell says its mode itself.
    """

    name: str
    pins: int
    ground: int
    supply: int
    fuse_counts: tuple[int, ...]
    columns: int
    cells: tuple[Macrocell, ...]
    feeds: Mapping[Mode, Mapping[int, int]]
    clock: int
    signature: int
    output_enable: int | None = None
    row_enables: int | None = None
    reset_row: int | None = None
    preset_row: int | None = None
    mode_fuses: tuple[int, int] | None = None

    def output_pins(self) -> tuple[int, ...]:
        """Pins of the macrocells, in the order of the array."""
        return tuple(cell.pin for cell in self.cells)

    def input_pins(self) -> tuple[int, ...]:
        """Pins that can only be inputs."""
        taken = {self.ground, self.supply, *self.output_pins()}
        return tuple(pin for pin in range(1, self.pins + 1) if pin not in taken)


def _feeds(text: str) -> dict[int, int]:
    """Pins in the order of their columns: "2 1 3" is pin 2 at columns 0 and 1, pin 1 at 2 and 3."""
    return {int(pin): 2 * place for place, pin in enumerate(text.split())}


def _eight_cells(highest_pin: int, polarity: int, kind: int) -> tuple[Macrocell, ...]:
    return tuple(Macrocell(highest_pin - k, 8 * k, 8, polarity + k, kind + k) for k in range(8))


def _ten_cells() -> tuple[Macrocell, ...]:
    cells, row = [], 1  # row 0 resets
    for k, rows in enumerate((9, 11, 13, 15, 17, 17, 15, 13, 11, 9)):
        cells.append(Macrocell(23 - k, row, rows, 5808 + 2 * k, 5809 + 2 * k))
        row += rows
    return tuple(cells)


GAL_16V8 = Device(
    name="16V8",
    pins=20,
    ground=10,
    supply=20,
    fuse_counts=(2194,),
    columns=32,
    cells=_eight_cells(19, polarity=2048, kind=2120),
    feeds={
        Mode.SIMPLE: _feeds("2 1 3 19 4 18 5 17 6 14 7 13 8 12 9 11"),
        Mode.COMPLEX: _feeds("2 1 3 18 4 17 5 16 6 15 7 14 8 13 9 11"),
        Mode.REGISTERED: _feeds("2 19 3 18 4 17 5 16 6 15 7 14 8 13 9 12"),
    },
    clock=1,
    signature=2056,
    output_enable=11,
    row_enables=2128,
    mode_fuses=(2192, 2193),
)
GAL_20V8 = Device(
    name="20V8",
    pins=24,
    ground=12,
    supply=24,
    fuse_counts=(2706,),
    columns=40,
    cells=_eight_cells(22, polarity=2560, kind=2632),
    feeds={
        Mode.SIMPLE: _feeds("2 1 3 23 4 22 5 21 6 20 7 17 8 16 9 15 10 14 11 13"),
        Mode.COMPLEX: _feeds("2 1 3 23 4 21 5 20 6 19 7 18 8 17 9 16 10 14 11 13"),
        Mode.REGISTERED: _feeds("2 23 3 22 4 21 5 20 6 19 7 18 8 17 9 16 10 15 11 14"),
    },
    clock=1,
    signature=2568,
    output_enable=13,
    row_enables=2640,
    mode_fuses=(2704, 2705),
)
GAL_22V10 = Device(
    name="22V10",
    pins=24,
    ground=12,
    supply=24,
    # without the signature, with it, and with one maker's fuse for a power-down mode, which no logic sees (from memory)
    fuse_counts=(5828, 5892, 5893),
    columns=44,
    cells=_ten_cells(),
    feeds={Mode.EACH: _feeds("1 23 2 22 3 21 4 20 5 19 6 18 7 17 8 16 9 15 10 14 11 13")},
    clock=1,
    signature=5828,
    reset_row=0,
    preset_row=131,
)
DEVICES = (GAL_16V8, GAL_20V8, GAL_22V10)

_NAME = re.compile(r"(?:GAL|ATF|PALCE|PAL|TIBPAL)?(16V8|20V8|22V10)(?:[A-Z]{0,3}(?:[-/ ].*)?)?")


def device_of(part: str) -> Device | None:
    """The device of a part's name: "GAL16V8D-15", "ATF22V10C", "PALCE20V8" or "16V8"; None where it is none of them."""
    match = _NAME.fullmatch(part.strip().upper())
    return next((device for device in DEVICES if match and device.name == match[1]), None)
