"""Rules of the 9918A family that programs break, and what each finding says.

Sources: the symptoms are those that builders report (issue trackers and guides of open 9918A boards, a forum thread on
a black screen with a 65C02, 2018 to 2025); the rules behind them are named at each method.
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description, 0.4.2, 2002.
    [PARTS] M. Hagerty, measurements on parts: comments that quote the data manual.
    [DM] Texas Instruments, TMS9918A/28A/29A Data Manual, 1982, section 4, from memory.
"""

from __future__ import annotations

from collections.abc import Callable

from simkit.contract import Slot
from simkit_cards.tile_video.sprites import END_OF_LIST, SPRITES
from simkit_cards.tile_video.tables import (
    ROWS,
    Mode,
    Tables,
    colour_address,
    pattern_address,
    used_registers,
    variant,
)

WRITE_STROBE_NS = 200
"""Least width of /CSW. [DM]"""

READ_STROBE_NS = 150
"""Longest time from /CSR low to valid data. [DM]"""

PAIR_US = 2.0
"""Least time between two strobes, no memory asked for. [DM]"""

REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


class Rules:
    """Reports broken rules; most only once until the program mends its way.

    Args:
        slot: where to report.
        strobe_ns: width of the strobes.
        replaced: the maker's chip is not in the socket: what it would not bear does no harm, and is told once.

    Attributes:
        said: rules reported and not to be repeated yet.
    """

    def __init__(self, slot: Slot, strobe_ns: float, *, replaced: bool = False) -> None:
        self.said: set[str] = set()
        self._replaced = replaced
        self._slot = slot
        self._strobe_ns = strobe_ns

    def _once(self, rule: str, cycle: int, message: str) -> None:
        if rule not in self.said:
            self.said.add(rule)
            self._slot.report(rule, cycle, message)

    def _aside(self, cycle: int, what: str) -> None:
        """Tell of a replacement what the maker's chip would not bear."""
        self._once(
            "video-faster-than-the-chip",
            cycle,
            f"{what} The part in the socket takes it; the program will fail on the maker's chip.",
        )

    @property
    def narrow_strobes(self) -> bool:
        """Whether any strobe is too narrow for the chip."""
        return self._strobe_ns < max(WRITE_STROBE_NS, READ_STROBE_NS)

    # accesses -------------------------------------------------------------------------------------------------------

    def strobe(self, cycle: int, *, is_write: bool) -> None:
        """Width of the strobes. [DM]."""
        need = WRITE_STROBE_NS if is_write else READ_STROBE_NS
        if self._strobe_ns < need and self._replaced:
            self._aside(cycle, f"The strobe is low for {self._strobe_ns:.0f} ns, a 9918A wants {need} ns.")
        elif self._strobe_ns < need:
            pin, what = ("/CSW", "needs") if is_write else ("/CSR", "gives data only after")
            self._once(
                f"video-{'write' if is_write else 'read'}-strobe-too-narrow",
                cycle,
                f"{pin} is low for {self._strobe_ns:.0f} ns, the chip {what} {need} ns: "
                "slow the clock down or add a wait state for the card.",
            )

    def too_soon(self, cycle: int, gap_us: float, need_us: float, where: str, outcome: str) -> None:
        """Time between accesses to memory. [PG] B-1."""
        if self._replaced:
            self._aside(cycle, f"Video memory access {gap_us:.2f} us after the one before: {need_us} us on a 9918A.")
            return
        self._slot.report(
            "video-access-too-soon",
            cycle,
            f"Video memory access {gap_us:.2f} us after the one before, which may take {need_us} us: "
            f"{max(need_us - gap_us, 0):.2f} us too soon ({where}). "
            f"{outcome}",
        )

    def fetch_not_ready(self, cycle: int, fetch_ns: int) -> None:
        """A microcontroller in the socket reads ahead by program. From memory."""
        self._slot.report(
            "video-fetch-not-ready",
            cycle,
            f"Video memory accessed before the part in the socket had read ahead, which takes it {fetch_ns} ns: "
            "the byte read is the old one.",
        )

    def pair_too_soon(self, cycle: int, gap_us: float) -> None:
        """Time between strobes that ask for no memory. [DM]; builders took the same from a successor's manual.

        Steckschwein blog, "The WAIT": 2 us between control bytes, 8 us after a byte of memory.
        """
        if self._replaced:
            self._aside(cycle, f"Control port accessed {gap_us:.2f} us after the access before: 2 us on a 9918A.")
            return
        self._slot.report(
            "video-strobe-too-soon",
            cycle,
            f"Control port accessed {gap_us:.2f} us after the access before, {PAIR_US - gap_us:.2f} us too soon: "
            f"the chip wants {PAIR_US:.0f} us between strobes.",
        )

    def both_strobes(self, cycle: int) -> None:
        """One transfer has one strobe. [PG] table 3-1."""
        self._once(
            "video-both-strobes",
            cycle,
            "/CSR and /CSW were low together: the card's output_enable and write_enable are true in the same cycle. "
            "Gate one with RW, the other with not RW.",
        )

    def pair_broken(self, cycle: int, by: str, first_byte_cycle: int) -> None:
        """Only two control bytes in a row make a pair. [YOUNG] 2.3."""
        self._slot.report(
            "video-pair-broken",
            cycle,
            f"{by} between the two bytes of a control pair, whose first came in cycle {first_byte_cycle:,}: the second "
            "will count as a first. Is an interrupt routine using the card while the main program does?".replace(
                ",", " "
            ),
        )

    def dummy_read(self, cycle: int, offset: int) -> None:
        """A spare read in the cycle before a write is not the program's wish; it has all effects of a read."""
        effect = "it stepped the address" if offset == 0 else "it cleared the status and the first-byte state"
        self._slot.report(
            "video-dummy-read",
            cycle,
            f"A spare cycle of the instruction read the port before the write: {effect}. Use a plain STA.",
        )

    def address_used(self, cycle: int) -> None:
        """A register write leaves the address counter holding its two bytes. Data manual 2-1, quoted by [PARTS]."""
        self._once(
            "video-address-lost",
            cycle,
            "Data port used after a register write without a new address: the register write destroyed the address.",
        )

    def address_set(self) -> None:
        """A new address was set up, or a register written: the next mistake is a new one."""
        self.said.discard("video-address-lost")

    def register_number(self, cycle: int, byte: int) -> None:
        """Programs write zeros in the bits the chip ignores. [YOUNG] 2.2."""
        self._slot.report(
            "video-odd-register-number",
            cycle,
            f"Register write with second byte ${byte:02X}: bits 6 to 3 should be 0; it goes to register {byte & 7}. "
            f"Were the data lines reversed (the maker's CD0 is the most significant), it would mean "
            f"${REVERSED[byte]:02X}.",
        )

    def memory_written(self, cycle: int) -> None:
        """Bytes written in 4K addressing lie elsewhere in 16K addressing. [YOUNG] 2.1."""
        self._once(
            "video-4k-addressing",
            cycle,
            "Video memory is written with register 1 bit 7 clear (4K addressing): on 16K memory the bytes will lie "
            "elsewhere once the bit is set.",
        )

    # interrupt ------------------------------------------------------------------------------------------------------

    def interrupt_enabled(self, cycle: int) -> None:
        """Setting IE while F is set pulls INT low at once. [YOUNG] 2.4."""
        self._slot.report(
            "video-stale-interrupt",
            cycle,
            "Interrupt enabled while F is still set from an earlier frame: INT falls at once, in the middle of a "
            "frame. Read the status before enabling.",
        )

    def frame_unanswered(self, cycle: int) -> None:
        """INT stays low until the status is read. [PG] 5.2.1."""
        self._once(
            "video-interrupt-unanswered",
            cycle,
            "A frame ended while INT was still low from the one before: nobody read the status, so there will be no "
            "new edge.",
        )

    def flag_lost(self, cycle: int, flag: str, so: str) -> None:
        """A read as F or C is set can clear it unseen. [PARTS] v1.5, v1.9."""
        self._slot.report(
            "video-flag-lost",
            cycle,
            f"The status was read in the very moment {flag} was set: it read 0 and cleared the flag, so {so}",
        )

    def status_read(self) -> None:
        """The program answered."""
        self.said.discard("video-interrupt-unanswered")

    # board ----------------------------------------------------------------------------------------------------------

    def reset_too_short(self, cycle: int, width_us: float, need_us: int) -> None:
        """Least width of a reset: 3 us, data manual 2.1.7, from memory; 3 ms by public notes. A setting chooses."""
        self._slot.report(
            "video-reset-too-short",
            cycle,
            f"RESET was low for {width_us:.2f} us, the chip wants {need_us} us: it may not have been reset at all.",
        )

    def picture_faults(self, cycle: int, faults: dict[str, str]) -> None:
        """What is wrong with the video output, by rule; sources in board.py."""
        for rule, message in faults.items():
            self._slot.report(rule, cycle, message)

    # tables ---------------------------------------------------------------------------------------------------------

    def register_changed(self) -> None:
        """Tables may lie elsewhere now."""
        self.said -= {"video-masked-sprites", "video-4k-addressing"}

    def masked_sprites(self, cycle: int, sprites: int) -> None:
        """Clearing mask bits of register 4 in graphics II disturbs sprites past the eighth. [PG] 8.4.2."""
        if sprites > 8:
            self._once(
                "video-masked-sprites",
                cycle,
                f"{sprites} sprites with mask bits of register 4 clear in graphics II: a real chip repeats sprites "
                "past the eighth, by a rule nobody published; this model does not.",
            )

    def registers_never_written(self, cycle: int, tables: Tables, set_once: int) -> None:
        """Registers 2 to 7 are undefined at power-up; data manual 2.1.7, quoted by [PARTS], clears 0 and 1 alone."""
        missing = [str(number) for number in used_registers(tables.mode) if not set_once >> number & 1]
        if missing:
            self._slot.report(
                "video-register-never-written",
                cycle,
                f"The display is on and register {', '.join(missing)} was never written: it holds what it powered up "
                "with. Does the set-up loop count one short?",
            )

    def never_written(
        self, cycle: int, tables: Tables, memory: bytearray, written: bytearray, cell: Callable[[int], int]
    ) -> None:
        """Memory is undefined at power-up: a table shown must have been written. [PG] 9.2.1 for the end of the list."""
        if tables.sprites_on:
            for number in range(SPRITES):
                entry = [cell(tables.sprites + number * 4 + part) for part in range(4)]
                if not written[entry[0]] or (memory[entry[0]] != END_OF_LIST and not all(written[c] for c in entry)):
                    self._slot.report(
                        "video-sprites-never-written",
                        cycle,
                        f"Sprite entries from {number} on were never written, and no $D0 as Y ends the list before "
                        "them: they show what the memory held at power-up.",
                    )
                    break
                if memory[entry[0]] == END_OF_LIST:
                    break
        missing = self._unwritten_cells(tables, memory, written, cell)
        if missing:
            self._slot.report("video-table-never-written", cycle, f"The picture shows memory never written: {missing}.")

    @staticmethod
    def _unwritten_cells(
        tables: Tables, memory: bytearray, written: bytearray, cell: Callable[[int], int]
    ) -> str | None:
        mode, columns = tables.mode, tables.columns
        if mode >= Mode.STRIPES:
            return None
        size = 2 if mode & 2 else 8
        checked = set()
        for row in range(ROWS):
            which = variant(mode, row)
            for address in range(tables.name + row * columns, tables.name + (row + 1) * columns):
                place = cell(address)
                if not written[place]:
                    return f"name table, ${address:04X}"
                if (which, memory[place]) in checked:
                    continue
                name = memory[place]
                checked.add((which, name))
                start = pattern_address(tables, which, name)
                if not all(written[cell(a)] for a in range(start, start + size)):
                    return f"pattern of name ${name:02X}, ${start:04X}"
                if mode in (Mode.GRAPHICS_1, Mode.GRAPHICS_2):
                    start = colour_address(tables, which, name)
                    if not all(written[cell(a)] for a in range(start, start + (8 if mode & 1 else 1))):
                        return f"colour of name ${name:02X}, ${start:04X}"
        return None
