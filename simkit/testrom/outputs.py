"""The ways in which a test ROM tells: lamps, text on a serial line, text on a screen.

Nothing of this uses memory: a text is one of the ROM, its place is known when the ROM is written, and the byte that is
to be shown in figures stands in the stack pointer, which counts nothing as long as there is no stack.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Sequence

import attrs

from simkit.contract.ports import LampsPort
from simkit.files.bounded import read_bounded
from simkit.machinefile.shipped import shipped_folder
from simkit.testrom.code import Code
from simkit.testrom.survey import Survey

DELAY_LOOP = 5  # cycles of `dey` and a taken `bne`
COLUMNS = 40
"""Of the text screen, and of what is written at all."""
ROWS = 24
NAMES = 0x0C00
"""Where the text lies in the video card's memory: beside the cells that the address walk of a video card uses."""
_MAX_FONT_BYTES = 100_000
_FIRST_LETTER = 0x20

SERIAL_CONTROL = 0x1F
"""6551: 8 bits, 1 stop bit, own baud generator, 19 200 baud. Synertek, SY6551 data sheet, Control Register."""
SERIAL_COMMAND = 0x0B
"""6551: DTR and RTS low, receiver interrupt off, transmitter on without interrupt, no parity. As above, Command."""
FRAME_SECONDS = 10 / 19_200 * 1.05
"""Start, eight data, stop at that rate, and 5 % for the crystals."""
VIDEO_GAP_SECONDS = 8e-6
"""Texas Instruments, TMS9918A/9928A/9929A Video Display Processors data manual, November 1982, timing requirements,
tw(CSH) with a request for video memory: the longest in any mode."""


def pause(cycles: int) -> str:
    """Source that waits at least so many cycles; Y is lost."""
    loops = -(-cycles // DELAY_LOOP)
    whole, rest = divmod(loops, 256)
    counts = [0] * whole + ([rest] if rest else [])
    return "".join(f"ldy #${count:02X}\nPAUSE\n" for count in counts)


class Output:
    """One way of telling."""

    word = ""
    """What it is, for people."""
    slot: int

    def start(self, code: Code) -> None:
        """Get it ready."""

    def lamps(self, code: Code, value: int) -> None:
        """Show a number; nothing on others than lamps."""

    def text(self, code: Code, label: str, row: int, column: int) -> None:
        """Show the text at a label, ended by a zero byte, at a place of the screen."""

    def figures(self, code: Code) -> None:
        """Show the byte in the stack pointer as two figures behind the last text."""

    def end_line(self, code: Code) -> None:
        """The line is complete."""


@attrs.frozen
class Store:
    """A store that changes lamps.

    Attributes:
        address: where to.
        bits: by bit of the byte, the lamp's number from the right; None: no lamp.
        flip: bits that light a lamp when 0.
        setup: (address, byte) to be written before the first.
    """

    address: int
    bits: tuple[int | None, ...]
    flip: int
    setup: tuple[tuple[int, int], ...] = ()

    def byte(self, value: int) -> int:
        """What to store so that the lamps show a number."""
        level = sum((value >> lamp & 1) << bit for bit, lamp in enumerate(self.bits) if lamp is not None)
        return level ^ self.flip


class LampsOutput(Output):
    """Lamps, at an address of their own or on pins of a 6522."""

    word = "lamps"

    def __init__(self, slot: int, stores: Sequence[Store], count: int) -> None:
        self.slot = slot
        self.stores = tuple(stores)
        self.count = count

    def start(self, code: Code) -> None:
        """All lamps out."""
        code.remark("Lamps: each store below is what lights them.")
        for store in self.stores:
            for address, value in store.setup:
                code.add(f"lda #${value:02X}\nsta ${address:04X}")
        self.lamps(code, 0)

    def lamps(self, code: Code, value: int) -> None:
        """Show a number, its lowest bit on the rightmost lamp."""
        for store in self.stores:
            code.add(f"lda #${store.byte(value):02X}\nsta ${store.address:04X}")

    @property
    def top(self) -> int:
        """The leftmost lamp: lit where a check failed."""
        return 1 << self.count - 1

    def all(self) -> int:
        """All lamps."""
        return (1 << self.count) - 1


class TextOutput(Output, ABC):
    """Characters one after another."""

    @abstractmethod
    def put(self, code: Code) -> None:
        """Show the character in A; X is kept, Y is lost."""

    def place(self, code: Code, row: int, column: int) -> None:
        """Go to a place."""

    def text(self, code: Code, label: str, row: int, column: int) -> None:
        """As `Output.text`."""
        self.place(code, row, column)
        more, done = code.new_label(), code.new_label()
        code.add(f"ldx #$00\n{more}:\nlda {label},x\nbeq {done}")
        self.put(code)
        code.add(f"inx\nbne {more}\n{done}:")

    def figures(self, code: Code) -> None:
        """As `Output.figures`."""
        for half in ("lsr\nlsr\nlsr\nlsr", "and #$0F"):
            code.add(f"tsx\ntxa\n{half}\ntax\nlda figures,x")
            self.put(code)


def add_pause(code: Code, cycles: int) -> None:
    """Wait at least so many cycles; Y is lost."""
    for line in pause(cycles).splitlines():
        if line == "PAUSE":
            again = code.new_label()
            code.add(f"{again}:\ndey\nbne {again}")
        else:
            code.add(line)


class SerialOutput(TextOutput):
    """Text over a 6551, a byte time after each byte: the ready flag is not trusted, on one part it never falls."""

    word = "serial"

    def __init__(self, slot: int, data: int, status: int, command: int, control: int, frame_cycles: int) -> None:
        self.slot = slot
        self.data, self.status, self.command, self.control = data, status, command, control
        self.frame_cycles = frame_cycles

    def start(self, code: Code) -> None:
        """19 200 baud, 8 bits, no parity."""
        code.remark("Serial card: 19 200 baud, 8 data bits, no parity, 1 stop bit.")
        code.add(f"sta ${self.status:04X} ; programmed reset, whatever A is")
        self.set_up(code)
        add_pause(code, self.frame_cycles)

    def set_up(self, code: Code) -> None:
        """Control and command as they must be to send."""
        code.add(f"lda #${SERIAL_CONTROL:02X}\nsta ${self.control:04X}")
        code.add(f"lda #${SERIAL_COMMAND:02X}\nsta ${self.command:04X}")

    def put(self, code: Code) -> None:
        """As `TextOutput.put`."""
        code.add(f"sta ${self.data:04X}")
        add_pause(code, self.frame_cycles)

    def end_line(self, code: Code) -> None:
        """Carriage return and line feed."""
        for value in (0x0D, 0x0A):
            code.add(f"lda #${value:02X}")
            self.put(code)


class ScreenOutput(TextOutput):
    """Text on a 9918A, 24 lines of 40 characters; the picture is always on, so every byte gets the longest wait."""

    word = "screen"

    def __init__(self, slot: int, data: int, status: int, control: int, gap_cycles: int) -> None:
        self.slot = slot
        self.data, self.status, self.control = data, status, control
        self.gap_cycles = gap_cycles

    def register(self, code: Code, number: int, value: int) -> None:
        """Set a register of the chip."""
        code.add(f"lda #${value:02X}\nsta ${self.control:04X}")
        add_pause(code, self.gap_cycles)
        code.add(f"lda #${0x80 | number:02X}\nsta ${self.control:04X}")
        add_pause(code, self.gap_cycles)

    def address(self, code: Code, address: int, *, to_write: bool) -> None:
        """Set the chip's address."""
        code.add(f"lda #${address & 0xFF:02X}\nsta ${self.control:04X}")
        add_pause(code, self.gap_cycles)
        code.add(f"lda #${address >> 8 | (0x40 if to_write else 0):02X}\nsta ${self.control:04X}")
        add_pause(code, self.gap_cycles)

    def set_up(self, code: Code) -> None:
        """All registers: text mode, names at $0C00, letters at 0, black on light yellow."""
        code.add(f"lda ${self.status:04X} ; whatever pair of bytes was begun is forgotten")
        for number, value in enumerate((0x00, 0x90, NAMES >> 10, 0x00, 0x00, 0x00, 0x00, 0x1B)):
            self.register(code, number, value)

    def start(self, code: Code) -> None:
        """Set it up, put the letters there, clear the screen, picture on."""
        code.remark("Video card: text mode, letters, empty screen.")
        self.set_up(code)
        self.address(code, _FIRST_LETTER * 8, to_write=True)
        for page in range(2):
            more = code.new_label()
            code.add(f"ldx #$00\n{more}:\nlda letters_{page},x\nsta ${self.data:04X}")
            add_pause(code, self.gap_cycles)
            code.add(f"inx\nbne {more}")
        self.address(code, NAMES, to_write=True)
        for _ in range(4):
            more = code.new_label()
            code.add(f"ldx #$00\n{more}:\nlda #$20\nsta ${self.data:04X}")
            add_pause(code, self.gap_cycles)
            code.add(f"inx\nbne {more}")
        self.register(code, 1, 0xD0)

    def put(self, code: Code) -> None:
        """As `TextOutput.put`."""
        code.add(f"sta ${self.data:04X}")
        add_pause(code, self.gap_cycles)

    def place(self, code: Code, row: int, column: int) -> None:
        """As `TextOutput.place`."""
        code.add(f"lda ${self.status:04X} ; a pair of bytes begins afresh")
        self.address(code, NAMES + row * COLUMNS + column, to_write=True)


def letters() -> bytes:
    """Shapes of the characters $20 to $5F, eight bytes each, as the ROMs of the kit have them."""
    path = shipped_folder() / "roms" / "drivers" / "font.asm"
    text = read_bounded(path, _MAX_FONT_BYTES, "file").decode("ascii", "replace")
    rows = [line.partition(";")[0] for line in text.splitlines() if line.strip().startswith(".byte")]
    return bytes(int(bits, 2) for row in rows for bits in re.findall("%([01]{8})", row))[: 64 * 8]


def find_outputs(survey: Survey) -> list[Output]:
    """All ways in which a machine can tell, the most trusted first."""
    return [*_lamps(survey), *_serial(survey), *_screens(survey)]


def _lamps(survey: Survey) -> list[LampsOutput]:
    found = []
    for seat in survey.of_kind("led-row"):
        count = next(len(port.labels) for port in seat.ports.values() if isinstance(port, LampsPort))
        dark = 0xFF if seat.settings.lit_by == "low" else 0
        if seat.settings.joined == "address":
            address = survey.address_of(seat.slot, 0, is_write=True)
            if address is not None:
                found.append(LampsOutput(seat.slot, [Store(address, tuple(range(8)), dark)], count))
            continue
        stores = _port_stores(survey, seat.slot, count, dark)
        if stores:
            found.append(LampsOutput(seat.slot, stores, count))
    return found


def _port_stores(survey: Survey, slot: int, count: int, dark: int) -> list[Store]:
    """Stores for lamps on port pins of 6522s."""
    ports: dict[tuple[int, str], list[int | None]] = {}
    for lamp in range(count):
        line = survey.line_of(slot, f"L{lamp}")
        for other, pin in survey.pins_on(line) if line else ():
            if pin[:2] in ("PA", "PB") and type(survey.seats[other].card).kind == "ports-6522":
                ports.setdefault((other, pin[1]), [None] * 8)[int(pin[2])] = lamp
    stores = []
    for (other, port), bits in ports.items():
        data, direction = (1, 3) if port == "A" else (0, 2)
        at, turn = (survey.address_of(other, offset, is_write=True) for offset in (data, direction))
        if at is not None and turn is not None:
            outputs = sum(1 << bit for bit, lamp in enumerate(bits) if lamp is not None)
            stores.append(Store(at, tuple(bits), dark & outputs, ((turn, outputs),)))
    return stores


def _serial(survey: Survey) -> list[SerialOutput]:
    found = []
    for seat in survey.of_kind("serial-6551"):
        addresses = [survey.address_of(seat.slot, offset, is_write=True) for offset in range(4)]
        usable = [address for address in addresses if address is not None]
        if len(usable) == len(addresses):
            data, status, command, control = usable
            found.append(SerialOutput(seat.slot, data, status, command, control, survey.cycles(FRAME_SECONDS)))
    return found


def _screens(survey: Survey) -> list[ScreenOutput]:
    found = []
    for seat in survey.of_kind("tile-video"):
        data = survey.address_of(seat.slot, 0, is_write=True)
        control = survey.address_of(seat.slot, 1, is_write=True)
        status = survey.address_of(seat.slot, 1)
        if data is not None and control is not None and status is not None:
            found.append(ScreenOutput(seat.slot, data, status, control, survey.cycles(VIDEO_GAP_SECONDS)))
    return found
