"""Rules that the tile-video card reports. The sheets behind them are named in the card's own module."""

from __future__ import annotations

from simkit.check.rule import Rule

_TOO_NARROW = {
    "level": "error",
    "story": "Everything works at 2 MHz; after the crystal was changed the picture is dirt, the program the same.",
    "hardware": "The strobe lasts half a clock period, and gate delays are taken off it; the chip's least width stays.",
    "do": "Put a wait state on the card, stretch the clock for it, or keep the slower clock.",
    "bench": "Measure the width of /CSW and /CSR at the chip's pins.",
}

VIDEO_RULES = (
    Rule(
        name="video-access-too-soon",
        level="error",
        title="video memory was accessed before the chip was ready",
        story="Missing rows in letters and garbled text; more delay in the loop cures it.",
        hardware="While it draws, the chip gives the CPU a window every few microseconds; a second access before it "
        "takes the place of the first, and that byte is lost.",
        do="Write slower, write in the blank time below the picture, or switch the picture off for large transfers.",
        bench="Measure the time between two /CSW pulses; fill the screen with one letter and look for gaps.",
    ),
    Rule(
        name="video-strobe-too-soon",
        level="warning",
        title="two strobes followed each other too closely",
        story="Register set-up in a tight table loop fails on some chips only.",
        hardware="The chip takes control bytes over with its own clock and wants a pause between strobes.",
        do="Put a NOP or two between control writes.",
        bench="Measure the distance of the /CSW pulses.",
    ),
    Rule(name="video-write-strobe-too-narrow", title="the write strobe is too narrow for the chip", **_TOO_NARROW),
    Rule(name="video-read-strobe-too-narrow", title="the read strobe is too narrow for the chip", **_TOO_NARROW),
    Rule(
        name="video-pair-broken",
        level="error",
        title="something came between the two bytes of a control pair",
        story="Now and then a register holds nonsense or bytes land elsewhere: the interrupt routine read the status "
        "between two control writes of the main program.",
        hardware="One flip-flop remembers which byte comes next; status reads and data accesses reset it.",
        do="Hold the interrupt off (SEI, CLI) round each pair, or use the card in one place only.",
        bench="Trigger on a status read that follows a single control write.",
    ),
    Rule(
        name="video-dummy-read",
        level="error",
        title="a spare cycle of a store read the video port",
        story="Set-up by indexed stores goes wrong, by plain stores it is right.",
        hardware="Indexed stores and read-modify-write read their target first; here that steps the address or clears "
        "the status.",
        do="Use plain STA at the two ports.",
        bench="/CSR falls where the program only writes.",
    ),
    Rule(
        name="video-address-lost",
        level="error",
        title="data was moved after a register write without setting the address again",
        story="The border colour is changed in the middle of a transfer; the rest of it lands elsewhere.",
        hardware="A register write goes through the same latch as the address and leaves its two bytes in it.",
        do="Set the address up again after each register write.",
        bench="Read the table back and look where the bytes are.",
    ),
    Rule(
        name="video-odd-register-number",
        level="warning",
        title="a register number with bits that the chip ignores",
        story="The maker numbers bits the other way round; data lines wired by number come out reversed.",
        hardware="D0 of the maker is the most significant bit.",
        do="Exchange the data lines, or tell the machine file by `wires`.",
        bench="Write $80 and look which data pin of the chip is high.",
    ),
    Rule(
        name="video-4k-addressing",
        level="warning",
        title="video memory written before 16K addressing was chosen",
        story="The tables are loaded before the registers are set; parts of the picture are elsewhere afterwards.",
        hardware="Bit 7 of register 1 changes which address bits go to rows and columns of the memory chips.",
        do="Write register 1 with bit 7 set before any memory.",
        bench="Load a picture before and after the register, compare.",
    ),
    Rule(
        name="video-stale-interrupt",
        level="warning",
        title="interrupt enabled while an old flag was set",
        story="The first frame interrupt comes at once, in the middle of a frame, before the program is ready.",
        hardware="INT is the flag and the enable bit; the flag may be minutes old.",
        do="Read the status before the interrupt is enabled.",
        bench="INT falls with the write to register 1.",
    ),
    Rule(
        name="video-interrupt-unanswered",
        level="warning",
        title="a frame ended while the interrupt of the one before was still waiting",
        story="The game runs at half speed: the handler does not read the status, or takes longer than a frame.",
        hardware="INT stays low until the status is read; frames meanwhile cannot be counted.",
        do="Read the status in every handler, and keep the handler shorter than a frame.",
        bench="INT stays low for more than a frame.",
    ),
    Rule(
        name="video-masked-sprites",
        level="note",
        title="sprites past the eighth with masked tables",
        story="Ghost sprites appear on the real machine that no model shows.",
        hardware="With mask bits clear in graphics II the chip repeats sprites by a rule nobody published.",
        do="Set all mask bits, or use eight sprites at most.",
        bench="Look at the screen.",
    ),
    Rule(
        name="video-sprites-never-written",
        level="error",
        title="the sprite list shows memory never written",
        story="Dirt flickers over the picture after power-up, another each time.",
        hardware="Video memory powers up with noise; the list ends only at a Y of $D0.",
        do="Write $D0 as Y of the first unused sprite before the picture is switched on.",
        bench="Switch off and on: the dirt changes.",
    ),
    Rule(
        name="video-table-never-written",
        level="error",
        title="the picture shows memory never written",
        story="Some letters are random dots after power-up.",
        hardware="Video memory powers up with noise.",
        do="Fill all tables before the picture is switched on.",
        bench="Switch off and on: the dots change.",
    ),
)
