"""How a tile-video board is fitted and wired, and what to take where the sources are in doubt.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description including undocumented features, 0.4.2, 2002.
    [PARTS] M. Hagerty, measurements on parts: version history and comments.
    [PARTS-3] Later notes on measurements on parts (2026): position of the text.
    [DM] Texas Instruments, TMS9918A/28A/29A Data Manual, 1982: from memory, or as [PARTS] and public notes quote it.
"""

from __future__ import annotations

import attrs

from simkit.contract import setting
from simkit_cards.tile_video.access import TOO_SOON
from simkit_cards.tile_video.board import MEMORY_ADDRESS, MEMORY_READ_DATA
from simkit_cards.tile_video.colours import READINGS
from simkit_cards.tile_video.pacing import SOCKET
from simkit_cards.tile_video.raster import BORDERS_50_HZ, CRYSTAL_HZ, LINES, TOP_BORDER_50_HZ
from simkit_cards.tile_video.status import COINCIDENCE
from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES


@attrs.frozen(kw_only=True)
class TileVideoSettings:
    """How this board is fitted, and what to take where the sources are in doubt."""

    part: str = setting("9918A", one_of=tuple(LINES), help="chip in the socket: 9918A and 9928A 60 Hz, 9929A 50 Hz")
    socket: str = setting(
        SOCKET[0],
        one_of=SOCKET,
        help="what sits in the chip's socket: on a replacement no access waits or is lost, from memory; what the chip "
        "would not bear is told once, as a note",
    )
    fetch_ns: int = setting(
        0,
        low=0,
        high=100_000,
        unit="ns",
        help="how long a microcontroller in the socket takes to read ahead; some hundred, from memory; else no matter",
    )
    crystal_hz: int = setting(CRYSTAL_HZ, unit="Hz", low=1_000_000, high=40_000_000, help="crystal of the chip")
    interrupt_output: str = setting(
        "open-drain gate",
        one_of=("open-drain gate", "push-pull"),
        help="what drives INT: a gate on the card, or the bare chip, which drives high too and fights other cards",
    )
    colours: str = setting(
        READINGS[0],
        one_of=READINGS,
        help="reading of the maker's colour levels, in doubt: the light of a colour picture tube with the phosphors of "
        "1953; as printed; with the factors of a monitor board",
    )
    board: str = setting(
        "as the part",
        one_of=("as the part", "composite"),
        help="video output the board is made for; on one for the 9918A a relabelled 9928A or 9929A gives grey",
    )
    load_resistor: bool = setting(True, help="resistor at the video output, without which there is no picture")
    memory_address: str = setting(
        MEMORY_ADDRESS[0],
        one_of=MEMORY_ADDRESS,
        help="how the address latches of static memory are wired; a mere exchange of its address pins shows nowhere",
    )
    memory_open_line: int = setting(
        -1, low=-1, high=13, help="address line of static memory that is not connected and stays low; -1: none"
    )
    memory_read_data: str = setting(
        MEMORY_READ_DATA[0],
        one_of=MEMORY_READ_DATA,
        help="order in which the memory's data lines reach RD0 to RD7; exchanged at AD0 to AD7 alike it shows nowhere",
    )
    write_data: str = setting(
        "end of strobe",
        one_of=("end of strobe", "start of strobe"),
        help="when the part takes the data lines: at the start of PHI2 a 6502 still shows the address byte before",
    )
    last_counted_line: int = setting(
        ACTIVE_LINES - 1,
        low=ACTIVE_LINES - 1,
        high=ACTIVE_LINES,
        also=(ACTIVE_LINES,),
        help="last line on which a fifth sprite counts; 191 by [PARTS] v1.8, 192 by [DM] as quoted in public notes",
    )
    sprite_scan_dots: int = setting(
        0,
        low=0,
        high=341,
        unit="dots",
        also=(171, 341),
        help="how long before a line its sprites are chosen, fetched and counted; not published",
    )
    text_offset: int = setting(0, low=0, high=255, help="added to a name to get its ASCII code, for reading the screen")
    top_border_50_hz: int = setting(
        TOP_BORDER_50_HZ,
        low=0,
        high=BORDERS_50_HZ,
        unit="lines",
        help=f"border above the picture of a 9929A; the rest of {BORDERS_50_HZ} lies below; the split is from memory",
    )
    text_left: int = setting(6, low=0, high=16, unit="dots", help="dots left of the text; 6 [PARTS-3], 8 [YOUNG] 3.2")
    multicolor_left: str = setting(
        "high half",
        one_of=("high half", "low half"),
        help="half of a multicolor byte that is the left block; high [PG] 8.6, low [YOUNG] 3.4",
    )
    multicolor_wait: str = setting(
        "3.5 us",
        one_of=("3.5 us", "8 us"),
        help="longest wait for memory in multicolor; 3.5 us [PG] appendix B, users report that of graphics modes",
    )
    multicolor_told: str = setting(
        "under 8 us",
        one_of=("under 8 us", "as the wait"),
        help="which gaps in multicolor are reported: those that either source forbids, or by multicolor_wait alone",
    )
    first_byte: str = setting(
        "at once",
        one_of=("at once", "with the second"),
        also=("with the second",),
        help="when the first control byte reaches the address counter; at once [PARTS], other texts with the second",
    )
    coincidence: str = setting(
        "on screen",
        one_of=COINCIDENCE,
        also=COINCIDENCE[1:],
        help="where sprites collide: on screen as parts do [PARTS]; wholly or partly off it too [PG] 5.2.2",
    )
    flag_dot: int = setting(
        ACTIVE_DOTS,
        low=0,
        high=341,
        unit="dots",
        also=(0, 341),
        help="dot of line 191 at which F is set; not published",
    )
    too_soon: str = setting(
        "older lost",
        one_of=TOO_SOON,
        also=TOO_SOON[1:],
        help="what becomes of a memory access that comes while another waits; not published",
    )
    pacing: str = setting(
        "worst case",
        one_of=("worst case", "window"),
        help="report every memory access that might come too soon, or only those that did this time",
    )
    window_phase: int = setting(
        0,
        low=0,
        high=15,
        unit="memory cycles",
        also=(5, 11),
        help="where the access windows lie against the line; not published",
    )
    reset_us: int = setting(
        3, low=0, high=10_000, unit="us", help="least width of a reset; 3 us [DM], from memory; 3 ms by public notes"
    )
    strobe_ns: int = setting(
        0, low=0, high=100_000, unit="ns", help="width of the strobes; 0: half a machine cycle, PHI2 high"
    )
    poll_race: str = setting(
        "off",
        one_of=("off", "on"),
        also=("on",),
        help="on: a status read in the very cycle in which F or C is set loses it half the time; seen on parts "
        "[PARTS] v1.9, width not published",
    )
