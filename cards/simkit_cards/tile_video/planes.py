"""Pattern plane of the 9918A family: cells, rows and lines of the display modes, kept until their bytes change.

Lines hold colour numbers; 0 lets the backdrop through and 16 stands for the text colour. Both are put in last, so a
change of register 7 draws nothing again.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: chapter 8, figure 8-11, appendix C.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description, 0.4.2, 2002: 3.3 to 3.7 (masks, undocumented modes).
Multicolor: [PG] puts the high half of a byte left, [YOUNG] right; [PG] is followed.
Text margins: 6 and 10 dots (published notes on measurements on parts, 2026) against 8 and 8 [YOUNG] 3.2; a setting
of the card.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from simkit_cards.tile_video.tables import ACTIVE_DOTS, Mode, Tables, colour_address, pattern_address, variant

TEXT_COLOUR = 16
"""Number that stands for the text colour in the lines of text modes."""

EMPTY_LINE = bytes(ACTIVE_DOTS)

_ROWS_KEPT = 768  # rows of one plane kept, about 2 KB each

Cell = tuple[bytes, ...]
Row = tuple[bytes, ...]


class Dots(dict[int, list[bytes]]):
    """Eight dots by colours and pattern byte: dots[one << 4 | zero][pattern], bit 7 left; made on first use.

    `one` is the colour of 1 bits, up to TEXT_COLOUR, `zero` that of 0 bits, up to 15.
    """

    def __missing__(self, colours: int) -> list[bytes]:
        ones_and_zeros = "".join([f"{pattern:08b}" for pattern in range(256)]).encode()
        dots = ones_and_zeros.translate(bytes.maketrans(b"01", bytes((colours & 15, colours >> 4))))
        table = self[colours] = [dots[start : start + 8] for start in range(0, 2048, 8)]
        return table


class _Cells(dict[int, Cell]):
    """Cells by name for one variant of a row, made on first use."""

    def __init__(self, make: Callable[[int], Cell]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, name: int) -> Cell:
        cell = self[name] = self._make(name)
        return cell


class Plane:
    """Pattern plane for one arrangement of tables.

    A cell remembers which 8-byte blocks of video memory it was made from; when one changes, `forget` drops the cell
    and the rows that show it. Rows are found by their names, so a row that scrolls or comes back is not made again.

    Args:
        tables: decoded registers; mode, table addresses and masks count.
        memory: video memory as the chip addresses it; read whenever a cell is made.
        dots: shared table of eight-dot strings.
        text_left: dots left of the text in text modes.
        low_left: the low half of a multicolor byte is the left block; in doubt, [PG] 8.6 says the high one.
    """

    def __init__(
        self, tables: Tables, memory: bytearray, dots: Dots, text_left: int, *, low_left: bool = False
    ) -> None:
        self._tables = tables
        self._memory = memory
        self._dots = dots
        self._low_left = low_left
        self._left = bytes(text_left)
        self._right = bytes(ACTIVE_DOTS - 240 - text_left)
        self._cells: dict[int, _Cells] = {}
        self._rows: dict[tuple[int, bytes], Row] = {}
        self._users: dict[int, set[tuple[int, int]]] = {}

    @staticmethod
    def key(tables: Tables) -> tuple[int, int, int, int, int]:
        """What a plane depends on, besides memory."""
        return tables.mode, tables.colour, tables.colour_mask, tables.pattern, tables.pattern_mask

    def row(self, number: int, name_table: int) -> Row:
        """Eight lines of a row of cells."""
        mode = self._tables.mode
        if mode >= Mode.STRIPES:
            return (self._left + (bytes([TEXT_COLOUR]) * 4 + bytes(2)) * 40 + self._right,) * 8
        which = variant(mode, number)
        columns = self._tables.columns
        start = name_table + number * columns
        names = bytes(self._memory[start : start + columns])
        row = self._rows.get((which, names))
        if row is None:
            cells = self._variant(which)
            row = tuple(map(b"".join, zip(*map(cells.__getitem__, names), strict=True)))
            if mode >= Mode.TEXT:
                row = tuple([self._left + line + self._right for line in row])
            if len(self._rows) >= _ROWS_KEPT:
                self._rows.clear()
            self._rows[which, names] = row
        return row

    def cell(self, which: int, name: int) -> Cell:
        """Eight rows of a cell of one variant (see `tables.variant`)."""
        return self._variant(which)[name]

    def _variant(self, which: int) -> _Cells:
        cells = self._cells.get(which)
        if cells is None:
            cells = self._cells[which] = _Cells(self._maker(which))
        return cells

    def forget(self, blocks: Iterable[int]) -> None:
        """Drop what was made from the given 8-byte blocks (address // 8)."""
        changed: dict[int, set[int]] = {}
        for block in blocks:
            for which, name in self._users.pop(block, ()):
                self._cells[which].pop(name, None)
                changed.setdefault(which, set()).add(name)
        if changed:
            nothing: set[int] = set()
            stale = [key for key in self._rows if not changed.get(key[0], nothing).isdisjoint(key[1])]
            for key in stale:
                del self._rows[key]

    def _maker(self, which: int) -> Callable[[int], Cell]:
        tables, memory, users, dots = self._tables, self._memory, self._users, self._dots

        def use(address: int, name: int) -> int:
            users.setdefault(address >> 3, set()).add((which, name))
            return address

        def graphics_1(name: int) -> Cell:
            address = use(pattern_address(tables, which, name), name)
            table = dots[memory[use(colour_address(tables, which, name), name)]]
            return tuple([table[pattern] for pattern in memory[address : address + 8]])

        def graphics_2(name: int) -> Cell:
            address = use(pattern_address(tables, which, name), name)
            colours = use(colour_address(tables, which, name), name)
            both = zip(memory[address : address + 8], memory[colours : colours + 8], strict=True)
            return tuple([dots[colour][pattern] for pattern, colour in both])

        def text(name: int) -> Cell:
            address = use(pattern_address(tables, which, name), name)
            table = dots[TEXT_COLOUR << 4]
            return tuple([table[pattern][:6] for pattern in memory[address : address + 8]])

        def multicolor(name: int) -> Cell:
            address = use(pattern_address(tables, which, name), name)
            left, right = (0, 4) if self._low_left else (4, 0)
            blocks = memory[address : address + 2]
            upper, lower = (bytes([b >> left & 15]) * 4 + bytes([b >> right & 15]) * 4 for b in blocks)
            return (upper,) * 4 + (lower,) * 4

        mode = tables.mode
        if mode is Mode.GRAPHICS_1:
            return graphics_1
        if mode is Mode.GRAPHICS_2:
            return graphics_2
        return text if mode >= Mode.TEXT else multicolor
