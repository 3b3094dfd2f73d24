"""What builders get wrong round a 9918A-family chip: wires to its memory, and what keeps a picture from its screen.

Sources:
    Rev-0 error list of an open 6809 machine with this chip: AD0 to AD6 wired to the latches where AD1 to AD7 belong.
    T. LeMense, SRAM replacement for TMS99x8 VRAM, January 2010, pages 2 and 3: AD0 is no address for 16K parts; the
        column address may change up to 10 ns after /CAS falls, so a latch must wait.
    A Z80 computer's blog, 30 March 2019: rotated letters, text shown twice.
    Notes and issues of an open 9918A card, 2018 to 2020: grey pictures from crystals off by more than tens of ppm, and
        from relabelled parts whose pin 36 is luminance alone.
    Texas Instruments, TMS9918A/28A/29A Data Manual, 1982, 3.4.2, as quoted by an adapter's issue list: the video
        outputs are source followers and need a resistor to ground.
The chip writes by AD0 to AD7 and reads by RD0 to RD7: address pins of static memory exchanged among themselves, or its
data pins exchanged towards both buses alike, move bytes inside the memory and show nowhere. What shows is here.
"""

from __future__ import annotations

from simkit_cards.tile_video.raster import CRYSTAL_HZ
from simkit_cards.tile_video.tables import VRAM_BYTES

MEMORY_ADDRESS = ("right", "AD0 to AD6", "column latched early")
"""Wiring of the two address latches: right (AD1 to AD7); the rev-0 error; a column latch that still takes the row."""

MEMORY_READ_DATA = ("straight", "reversed", "rotated")
"""Order of RD0 to RD7: as the maker counts; the other way round; each line one pin on, which rotates letters."""

COLOUR_TOLERANCE_PPM = 50
"""How far the crystal may be off for a colour set to follow a composite picture. Public engineering notes, pin list"""

_COLUMN_BITS = 7
_COLUMN = (1 << _COLUMN_BITS) - 1


class MemoryWires:
    """Which cells of the memory a written byte appears in, and how it is read back.

    Cells are counted as 16K addressing counts them: column bits 6..0, row bits 13..7. In "AD0 to AD6" the lowest bit
    of row and of column is lost (AD7 carries it), and AD0, which carries no address, takes a place: held low here.

    Args:
        address: one of MEMORY_ADDRESS.
        open_line: address line 0 to 13 that stays low, or -1.
        read_data: one of MEMORY_READ_DATA.

    Attributes:
        straight: nothing is wrong.
    """

    def __init__(self, address: str, open_line: int, read_data: str) -> None:
        self._early = address == "column latched early"
        self._kept = VRAM_BYTES - 1
        if address == "AD0 to AD6":
            self._kept &= ~(1 | 1 << _COLUMN_BITS)
        if open_line >= 0:
            self._kept &= ~(1 << open_line)
        self._read_data = read_data
        self.straight = (address, open_line, read_data) == (MEMORY_ADDRESS[0], -1, MEMORY_READ_DATA[0])
        self._same: dict[int, list[int]] = {}
        if not self.straight:
            for cell in range(VRAM_BYTES):
                self._same.setdefault(self._real(cell), []).append(cell)

    def _real(self, cell: int) -> int:
        if self._early:
            row = cell >> _COLUMN_BITS
            cell = row << _COLUMN_BITS | row & _COLUMN
        return cell & self._kept

    def same(self, cell: int) -> list[int]:
        """All cells that share one real cell with `cell`, itself among them."""
        return self._same[self._real(cell)]

    def read_back(self, byte: int) -> int:
        """What the chip reads where it wrote `byte`."""
        if self._read_data == "reversed":
            return int(f"{byte:08b}"[::-1], 2)
        if self._read_data == "rotated":
            return byte >> 1 | (byte & 1) << 7
        return byte

    def seen(self, memory: bytes) -> bytes:
        """Memory with these bytes in its real cells, as the chip sees it."""
        return bytes(self.read_back(memory[self._real(cell)]) for cell in range(VRAM_BYTES))


def picture_faults(part: str, crystal_hz: int, board: str, load_resistor: bool) -> dict[str, str]:
    """Findings on the video output by rule; empty for a sound board."""
    if not load_resistor:
        return {
            "video-no-load-resistor": "No load resistor at the video output: the chip draws, the screen stays black. "
            "Fit 330 to 470 ohm from the output to ground."
        }
    if board == "composite" and part != "9918A":
        return {
            "video-colour-lost": f"A {part} in a board for the composite 9918A: pin 36 gives luminance alone, the "
            "picture is grey. Is the part relabelled?"
        }
    ppm = (crystal_hz / CRYSTAL_HZ - 1) * 1_000_000
    if part == "9918A" and abs(ppm) > COLOUR_TOLERANCE_PPM:
        return {
            "video-colour-lost": f"The crystal is off by {ppm:+.0f} ppm, the colour carrier with it: a colour set "
            f"follows {COLOUR_TOLERANCE_PPM} ppm, the picture is grey."
        }
    return {}
