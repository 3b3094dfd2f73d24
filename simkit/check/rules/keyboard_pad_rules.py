"""Rules that the keyboard and pad cards report.

Limits of the CD4021B: Texas Instruments, CD4021B data sheet SCHS024C, page 3-40. Cable: 0.55 ns a pF, Philips, HEF4015B
data sheet, January 1995.
"""

from simkit.check.rules.rule import Rule

KEYBOARD_PAD_RULES = (
    Rule(
        name="torn-read",
        level="warning",
        title="the keyboard's data port changed while it was read",
        story="Once in a thousand keys a wrong letter comes, never the same. The controller put the next code up in "
        "the very nanoseconds in which the CPU took the byte, so some bits were of the old code and some of the new.",
        hardware="The controller's port and the CPU's clock know nothing of each other. The CPU samples as PHI2 falls.",
        do="After a data read leave the controller the time it needs before the next read of the data register; read "
        "data only after the status has said that a code waits.",
        bench="Show the data port's lines and PHI2 on a scope and trigger on the data strobe.",
    ),
    Rule(
        name="keyboard-code-twice",
        level="warning",
        title="a code was read twice from the keyboard's data register",
        story="Letters come doubled, or a key sticks: the driver looks at the status right after it took a code, finds "
        "the ready bit still up, and takes the same code again.",
        hardware="The controller is a program too: it sees the latch, fetches the next code and only then lets the "
        "ready bit fall. That takes microseconds, many instructions of a fast CPU.",
        do="After a data read wait until the controller has surely moved on, then look at the status.",
        bench="Show the data strobe and the ready bit: the strobe comes again before the bit falls.",
    ),
    Rule(
        name="keyboard-code-lost",
        level="warning",
        title="a keyboard code was lost because the program read too late",
        story="A key sticks after a long screen update: the code that said it was let go found the buffer full.",
        hardware="The controller's ring buffer has so many places; what comes when all are full is dropped.",
        do="Read codes more often (in the handler, or in long loops too), or have the controller hold the keyboard's "
        "CLOCK while the ring is full. Behind a loss take all keys as released.",
        bench="Watch the overflow bit of the status while the program is at its longest work.",
    ),
    Rule(
        name="keyboard-overran",
        level="warning",
        title="keys were lost in the keyboard itself, which was not let send",
        story="Fast typing loses letters: the host holds CLOCK low and lets the keyboard send too seldom.",
        hardware="A keyboard keeps 16 bytes of codes while CLOCK is low; one code then stands for all that found no "
        "place (IBM, Personal Computer AT Technical Reference, 1984, keyboard, page 4-3).",
        do="Let CLOCK go for longer, or more often; a byte takes about a millisecond, and some keyboards begin late.",
        bench="Show CLOCK: count the time in which it is high against the frames that come.",
    ),
    Rule(
        name="write-to-keyboard",
        level="warning",
        title="a write went to the keyboard card, which cannot take it",
        story="The driver was written for a card that passes commands on (lamps, repeat rate); this one only listens. "
        "Or an indexed store reached one address too far.",
        hardware="Nothing on the card latches the byte; it is lost.",
        do="Leave the command out, or set can_send on a card that is wired for it.",
        bench="Trigger on the card's select line with R/W low.",
    ),
    Rule(
        name="keyboard-command-lost",
        level="error",
        title="a keyboard command came while another was being sent",
        story="A program wants the Caps Lock lamp lit: it writes $ED and the lamp byte right behind it. A byte takes a "
        "millisecond on the keyboard's line, so the second one falls down.",
        hardware="The controller has one byte of room for what goes out.",
        do="Wait for the keyboard's answer $FA before you write the next byte.",
        bench="Count the bytes that go to the keyboard: CLOCK falls eleven times for each.",
    ),
    Rule(
        name="write-to-pads",
        level="warning",
        title="a write went to the pad card, which cannot take it",
        story="A driver for pads on port pins strobes the latch by writing; here latch and clock run by themselves.",
        hardware="Nothing on the card takes the byte.",
        do="Take the write out: a read gives the buttons.",
        bench="Trigger on the card's select line with R/W low.",
    ),
    Rule(
        name="pad-clock-too-fast",
        level="error",
        title="the pad clock is faster than the pad's shift register follows",
        story="With a faster machine clock buttons show that nobody touched, on some pads, when they are warm.",
        hardware="A CD4021B is a slow part: at 5 V 3 MHz are sure, 6 MHz typical. Beyond that shifts get lost.",
        do="Put a divider before the counter; a later output of the same counter reads only some of the buttons.",
        bench="Count pad clocks between two latches and compare with the bits that come out.",
    ),
    Rule(
        name="pad-latch-too-short",
        level="error",
        title="the pad's latch pulse is shorter than its shift register needs",
        story="The carry of the counter is the latch and lasts one clock: at 8 MHz only 125 ns.",
        hardware="A CD4021B needs 160 ns at 5 V; some of its stages keep what they held.",
        do="Slow the counter's clock down, or make the latch of two counts.",
        bench="Measure the latch at the pad's socket, cable and pad plugged in.",
    ),
    Rule(
        name="pad-clock-after-latch",
        level="error",
        title="the first pad clock comes too soon after the latch",
        story="All buttons are one place off, on some boards only: the first shift after the latch is not taken.",
        hardware="A CD4021B wants 280 ns between the fall of P/S and the next rise of its clock at 5 V (140 typical).",
        do="Slow the counter's clock down, or begin shifting a count later.",
        bench="Show latch and clock together and measure from fall to rise.",
    ),
    Rule(
        name="pad-data-late",
        level="error",
        title="the pad's data come after the collector has taken them",
        story="The pad works on the bench and not on its long cable: each button shows at the next place.",
        hardware="A CD4021B answers within 320 ns at 50 pF; every further 100 pF of cable cost some 55 ns, and the "
        "74HC595 takes the bit that is there at its clock.",
        do="Slow the pad clock down, shorten the cable, or shift at the other edge of the clock.",
        bench="Show the data line and the 74HC595's shift clock, at the card's end of the cable.",
    ),
)
