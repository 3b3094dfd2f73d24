"""Rules of EEPROM and flash that a program writes in circuit; reported by the ROM card."""

from __future__ import annotations

from simkit.check.rules.rule import Rule

MEMORY_RULES: tuple[Rule, ...] = (
    Rule(
        name="fetch-from-busy-part",
        level="error",
        title="the program was fetched from the part that is being written",
        story="The routine that writes the EEPROM lies in the EEPROM; the machine crashes at its first store.",
        hardware="From the first byte until the write is over, each read gives the status instead of the memory.",
        do="Copy the routine to RAM and run it there, interrupts off: the vectors lie in the part, too.",
        bench="Look at the data lines behind the write: bit 6 changes with each read.",
    ),
    Rule(
        name="write-while-busy",
        level="error",
        title="a write came while the part was at work",
        story="Every second byte is missing, or all but the first.",
        hardware="Until the write or erase is over the part ignores what is written to it.",
        do="Wait: read the last byte until bit 7 is right, or any until bit 6 stands; with a time limit.",
        bench="Measure from one write strobe to the next, against the write time of the data sheet.",
    ),
    Rule(
        name="page-byte-too-late",
        level="error",
        title="a byte of a page came after the page was closed",
        story="A page arrives over a serial line, and only its first bytes are stored.",
        hardware="The load of a page ends when no write comes for the time t_BLC; then the part writes what it has.",
        do="Gather the page in RAM, and write it in one go.",
        bench="Measure the longest time between two write strobes of the page.",
    ),
    Rule(
        name="page-write-leaves-page",
        level="error",
        title="a byte of another page came into the load of a page",
        story="A block that does not begin at a page border comes out shifted.",
        hardware="The data sheet forbids it; the upper address lines were taken with the first byte.",
        do="Begin at multiples of the page size, and wait for the end of the write behind each page.",
        bench="Look at A6 and up between the write strobes of one page.",
    ),
    Rule(
        name="write-to-protected",
        level="error",
        title="a write went to a part whose data protection is on",
        story="The part behaves as if it wrote, and holds what it held before. Loops on bit 7 may never end.",
        hardware="Without the three bytes of the sequence in front the part takes its time and stores nothing.",
        do="Write AA, 55, A0 to the addresses of the data sheet first, or switch the protection off.",
        bench="Look for the three writes in front of the data.",
    ),
    Rule(
        name="no-flash-command",
        level="error",
        title="a write to flash was no step of a command",
        story="A variable was placed in the flash, or a command has a wrong address: another bank than thought.",
        hardware="Flash stores nothing without a command; a wrong step ends the command.",
        do="Check the addresses of the command against the address lines that reach the part.",
        bench="Look at A14 to A0 and the data lines at each write strobe of the part.",
    ),
    Rule(
        name="program-without-erase",
        level="error",
        title="flash was programmed where it is not erased",
        story="The byte that comes out is the old and the new one ANDed.",
        hardware="Programming clears bits; only an erase sets them.",
        do="Erase the sector first, and write all of it again.",
        bench="Read the cell before and after.",
    ),
)
