"""Port state of the 9918A family: flip-flop, address counter, read-ahead byte, the access that waits for memory.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: tables 4-1 to 4-4, appendix B.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description, 0.4.2, 2002: 2.1, 2.3.
    [PARTS] M. Hagerty, measurements on parts: comments on the CPU interface.
What becomes of an access that comes while another waits is not published: the chip has one data latch and no
handshake, so one of the two is lost. Which, is a setting. By default the newer takes the latch and the counter steps
once: one byte of a block vanishes and the rest lies one address low.
"""

from __future__ import annotations

from enum import IntEnum

import attrs

from simkit.contract import BIT, BYTE, COUNT, CYCLE, FLAG, MOMENT, saved, whole
from simkit_cards.tile_video.pacing import Pacing
from simkit_cards.tile_video.tables import VRAM_BYTES

_MASK = VRAM_BYTES - 1

TOO_SOON = ("older lost", "newer lost", "both kept")
"""What becomes of an access that comes while another waits."""


class What(IntEnum):
    """What waits for memory."""

    NOTHING = 0
    WRITE = 1
    READ = 2  # fetches the read-ahead byte


_FETCH = What.READ  # looked up once: block uploads ask for each byte


@attrs.define(slots=True)
class PortState:
    """Everything the two ports remember, besides registers and status.

    Attributes:
        address: address counter, 14 bits.
        latch: first control byte.
        second: flip-flop: the next control byte is the second.
        ahead: read-ahead byte.
        waiting: what waits for memory.
        target: address of the access that waits.
        value: byte to be written.
        done_tick: when the waiting access takes place.
        asked_cycle: cycle of the last access that asked for memory.
        need_tenths: time it might take, in tenths of a microsecond.
        strobe_cycle: cycle of the last access of any kind.
        spare_cycle: cycle of the last read that was a spare cycle of the CPU.
        spare_offset: its offset.
        address_valid: the address counter was set up, not left over from a register write.
    """

    address: int = saved(whole(0, _MASK), 0)
    latch: int = saved(BYTE, 0)
    second: bool = saved(FLAG, False)
    ahead: int = saved(BYTE, 0)
    waiting: int = saved(whole(0, max(What)).into(What, int), What.NOTHING)
    target: int = saved(whole(0, _MASK), 0)
    value: int = saved(BYTE, 0)
    done_tick: int = saved(MOMENT, 0)
    asked_cycle: int = saved(CYCLE, 0)
    need_tenths: int = saved(COUNT, 0)
    strobe_cycle: int = saved(MOMENT, -1_000_000)
    spare_cycle: int = saved(MOMENT, -2)
    spare_offset: int = saved(BIT, 0)
    address_valid: bool = saved(FLAG, True)

    def first_byte(self, byte: int, *, at_once: bool) -> None:
        """First byte of a control pair; it reaches the counter at once [PARTS] or with the second."""
        self.second = True
        self.latch = byte
        if at_once:
            self.address = self.address & 0x3F00 | byte

    def second_byte(self, byte: int) -> None:
        """Second byte of a control pair: both are in the counter now. [PG] tables 4-1 to 4-4."""
        self.second = False
        self.address = (byte & 0x3F) << 8 | self.latch

    def ask(self, what: What, value: int, cycle: int, edge: int, pacing: Pacing, policy: str) -> bool:
        """Ask for memory in `cycle`; the strobe ended at tick `edge`. Gives True when an access is lost.

        The caller has let a waiting access take place that is done by `edge`, and all of them under "both kept".
        """
        lost = self.waiting != 0
        if lost and policy == "newer lost":
            return True
        if not lost or self.address != (self.target + 1) & _MASK:
            self.target = self.address
            self.address = (self.address + 1) & _MASK
        self.waiting = what
        self.value = value
        self.asked_cycle = cycle
        self.done_tick, self.need_tenths = pacing.times(edge, what is _FETCH)
        return lost

    def forget(self) -> None:
        """A reset: first byte next, nothing waits."""
        self.second = False
        self.waiting = What.NOTHING
        self.need_tenths = 0


def outcome_words(older: int, newer: What, lost: bool, policy: str) -> str:
    """What an access that came too soon did."""
    if not older:
        return "A window came in time; another time it will not."
    if not lost:
        return "By the card's settings nothing is lost; on the real chip one of the two accesses is."
    written = "the byte written before is lost"
    if policy == "newer lost":
        written = "this byte is lost" if newer == What.WRITE else "the fetch is lost"
    elif older == What.READ:
        written = "the byte read is the old one" if newer == What.READ else "the byte to be read before is not fetched"
    return f"No window came in time: {written}, and the address stepped once."
