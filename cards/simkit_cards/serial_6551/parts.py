"""What the parts that fit the socket of a 6551 do each its own way: a row for each part. Sources are listed in card.py.

The figures of the SY6551 and of the R6551 could not be read: what stands for them is the CDP65C51's, whose sheet
describes the same part in CMOS. What [WDC] does not say of the W65C51N (CTS in the middle of a byte, overrun in echo
mode) is taken as on the others.
"""

from __future__ import annotations

import attrs


@attrs.frozen(kw_only=True)
class Part:
    """One part; the defaults are the R6551 kind's."""

    parity: bool = True
    """Whether it makes and checks parity; the W65C51N has none. [WDC] pages 8, 13, 14"""

    transmit_interrupts: bool = True
    """Whether TIC 01 may be used; "do not use" for the W65C51N. [WDC] page 13"""

    interrupts_without_data: bool = True
    """With TIC 01 and nothing to send the interrupts go on, one each byte time. [CDP] Figure 9"""

    always_ready: bool = False
    """Status bit 4 is stuck at 1, and a store while shifting spoils the byte under way. [WDC] note at that bit, [F1]"""

    cts_cuts_byte: bool = True
    """CTS high puts the line to mark at once, in the middle of a byte; only the "51A" finishes it. [CDP] Figure 10"""

    dtr_stops_transmitter: bool = True
    """DTR (command bit 0) at 0 stops the transmitter too. [CDP] page 5-16; not on the W65C51N [WDC]"""

    ird_masks_modem: bool = False
    """IRD (command bit 1) at 1 masks the interrupts of DSR and DCD too. [WDC] page 10"""

    errors_end_with_read: bool = False
    """OVRN, FE and PE are cleared by the read of data [WDC page 10]; otherwise the next byte decides [SY], [CDP]."""

    crystal_at_rate_0: bool = False
    """Rate 0 takes the crystal for the outside clock: 115 200 baud. [WDC] control register"""


PARTS = {
    "SY6551": Part(),
    "R6551": Part(),
    "CDP65C51": Part(),
    "CDP65C51A": Part(cts_cuts_byte=False),
    "W65C51N": Part(
        parity=False,
        transmit_interrupts=False,
        interrupts_without_data=False,
        always_ready=True,
        dtr_stops_transmitter=False,
        ird_masks_modem=True,
        errors_end_with_read=True,
        crystal_at_rate_0=True,
    ),
}
"""By the name that the setting `part` takes."""
