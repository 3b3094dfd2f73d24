"""Rules that the check itself finds: in the image, and while the program runs.

Facts about the parts:
    MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976 (bus cycles, stack, reset).
    MOS Technology, MCS6500 Microcomputer Family Programming Manual, January 1976 (flags, interrupts).
    Western Design Center, W65C02S data sheet, tables 6-4, 6-5, 7-1 (what the CMOS part does otherwise).
The stories are what builders tell each other (common practice).
"""

from __future__ import annotations

from simkit.check.rules.rule import Rule

PROGRAM_RULES = (
    Rule(
        name="image-size",
        level="error",
        title="the image does not fill its part as the CPU needs it",
        story="An 8 KB image built for $E000 is burnt at the bottom of a 32 KB part. The programmer verifies it, the "
        "board never starts: the vectors lie at offset $1FFC of the part, the CPU looks at $7FFC. Or the build "
        "broke off, the copy was cut short, and nobody looked at the size.",
        hardware="The vector cycles read erased cells, $FFFF, and the CPU starts there.",
        do="Build the image whole, up to the vectors; or place it at the top of the part; or fit a part of its size, "
        "which `simkit burn` repeats in a larger one.",
        bench="Watch the address lines in the two cycles after RESET in which the vector is read, and the first fetch.",
    ),
    Rule(
        name="image-elsewhere",
        level="error",
        title="the hex file is written for addresses at which its card does not answer",
        story="The .org moved, the jumper did not: the hex file says $C000, the card answers from $8000.",
        hardware="Bytes land at the right offset only by the luck of the address modulo the part's size.",
        do="Correct the .org or the card's select pattern, so that both name the same first address.",
        bench="Read the part back in the programmer and look for the first bytes of the program.",
    ),
    Rule(
        name="vector-astray",
        level="error",
        title="a vector does not point at code",
        story="The last six bytes are fill, or two words were exchanged, or a table moved and its vector did not.",
        hardware="The CPU takes whatever stands there as its first instruction and runs off.",
        do="Put the address of the routine into the vector: $FFFA NMI, $FFFC RESET, $FFFE IRQ and BRK, low byte first.",
        bench="Trigger on a read of $FFFC after RESET and look two cycles on: that address must be the start of your "
        "program. SYNC alone misleads: it is also high in the first, forced cycle of the reset sequence (from memory), "
        "at an address that means nothing.",
    ),
    Rule(
        name="unfilled-area",
        level="note",
        title="unused bytes are not $FF",
        story="Fill of $00 makes a stray CPU run through BRKs, and a programmer burn bytes that mean nothing.",
        hardware="Erased cells read $FF; only zeros are programmed. Unused cells left at $FF can be programmed later.",
        do="Fill with $FF (in the assembler, or let `simkit burn` pad).",
        bench="Nothing to see; the part takes a little longer to program.",
    ),
    Rule(
        name="opcode-missing",
        level="error",
        title="the program holds an opcode that the fitted CPU lacks",
        story="Assembled for the 65C02, plugged into a board with an NMOS 6502: DEC A is a no-operation there, and the "
        "delay loop round it never ends.",
        hardware="The NMOS part does something undocumented, locks up, or does nothing; the CMOS part does nothing.",
        do="Fit the other CPU, or write the instruction with those both parts have.",
        bench="Read the marking of the CPU; on the NMOS part $3A takes two cycles and leaves A alone.",
    ),
    Rule(
        name="constant-differs",
        level="error",
        title="an address or a bit in the ROM source is not where the machine has it",
        story="A port moved from one output of the demultiplexer to the next; the schematic knows, the ROM does not.",
        hardware="The program talks to an address where nobody, or somebody else, listens, or looks at another bit.",
        do="Make constants and ROM anew (`simkit map MACHINE --constants FILE`; `--compare FILE` lists all that "
        "differs), or move the jumper back.",
        bench="Put the probe on the card's select: it stays quiet while the program thinks it talks to it.",
    ),
    Rule(
        name="schematic-differs",
        level="error",
        title="the schematic of a card is wired otherwise than the machine file says",
        story="Two inputs were exchanged on the schematic for a shorter track; machine file and ROM never heard of it.",
        hardware="The board does what the schematic says: addresses, bits or lines are not where the program has them.",
        do="Correct the schematic, or the machine file (`simkit map MACHINE --netlist FILE --slot N --propose`).",
        bench="Follow the net that is named with a continuity tester, from pin to pin.",
    ),
    Rule(
        name="labels-stale",
        level="warning",
        title="the listing is not of this image",
        story="The ROM was built again, label list and listing were not copied along.",
        hardware="Nothing; but source lines in reports would be wrong, so the listing is not used. Labels are used, "
        "and may be wrong.",
        do="Build image, label list and listing in one go.",
        bench="Compare the checksum on the part's label with that of the build.",
    ),
    Rule(
        name="never-written",
        level="error",
        title="memory is read that was never written",
        story="It works on the bench supply and fails on Sunday: the counter starts with what RAM held at power-up.",
        hardware="Static RAM powers up with noise that differs from part to part and day to day.",
        do="Write the cell before it is read, best with all others in one loop at start. If a number was meant and "
        "not a cell, its # is missing.",
        bench="Switch off for a minute and on again a few times; a fault that comes and goes is this one.",
    ),
    Rule(
        name="write-nowhere",
        level="warning",
        title="a write reaches no card",
        story="A RAM size probe runs past the end of RAM, or a pointer lost its high byte.",
        hardware="The byte is lost; with a later card at that address it becomes a write into its registers.",
        do="Correct the address, or accept the finding when the program probes on purpose.",
        bench="No select line moves in that cycle.",
    ),
    Rule(
        name="strobe-false",
        level="error",
        title="a card is selected in an access, and its strobe is false",
        story="The chip select falls with every store to the card, and nothing arrives: its read and write strobes are "
        "exchanged, or come with a line that was not switched yet.",
        hardware="A part takes part in an access only when it is selected and its strobe is true, both at once: a "
        "write is lost, a read finds floating data lines.",
        do="Look at how the strobe is made (output_enable, write_enable and the wires of the slot): which of RW, PHI2 "
        "and the lines it hears has the wrong level here?",
        bench="Trigger on the card's select and look at both of its strobes: in a read one must move, in a write the "
        "other.",
    ),
    Rule(
        name="works-by-luck",
        level="error",
        title="what the program shows depends on how the power came up",
        story="It runs in the simulator, and on the bench every third time; after a warm start always.",
        hardware="Memories, registers and phases come up anyhow, and differently each time; some points of a part no "
        "sheet lays down. Here the program was run over many power-ups, and what is named was found by experiment: "
        "with that alone otherwise it shows something else.",
        do="Set what is named before it is used; or accept the finding when chance is meant.",
        bench="Switch off for a minute and on again, ten times; heat or cool the memory a little.",
    ),
    Rule(
        name="registers-open",
        level="warning",
        title="a handler changes a register that the program needs where the interrupt may come",
        story="It ran for an evening, then a wrong comparison: the handler does not keep A, and for once it came "
        "between the load and its use.",
        hardware="RTI gives back the flags and the address, nothing else. When the interrupt comes is chance: some day "
        "it comes between two instructions of which one needs what the other left in the register.",
        do="Push the register first thing in the handler and pull it last (PHA, PLA; by way of A on the NMOS part).",
        bench="Trigger on the RTI and compare the register with that at the handler's first instruction.",
    ),
    Rule(
        name="change-lost",
        level="error",
        title="a change that the handler makes is lost",
        story="The clock loses a tick now and then; a lamp that the handler had lit is dark again.",
        hardware="The program reads a cell or a port, changes the byte in a register and stores it. An interrupt in "
        "between changes the cell as well, and the store puts the old bits back.",
        do="Forbid the interrupt from the read to the store, or change the cell in one instruction (INC, on the 65C02 "
        "TSB and TRB).",
        bench="Trigger on the handler's store between the program's read and its store of that address.",
    ),
    Rule(
        name="number-torn",
        level="error",
        title="a number of several bytes is read while the handler may count it",
        story="Once an hour the time jumps by 256 ticks and back.",
        hardware="The 6502 reads a byte at a time. When the handler carries into the high byte between the two reads, "
        "the program has the low byte of one number and the high byte of another.",
        do="Forbid the interrupt while both are read, or read the high byte again and start over when it has changed.",
        bench="Trigger on the handler's store into the high byte between the program's two reads.",
    ),
    Rule(
        name="walks-into-registers",
        level="error",
        title="a store goes through memory and on into a card",
        story="After the question for the memory size a port pin or the baud rate has changed; a clearing loop takes "
        "the picture with it.",
        hardware="The loop looks for the end of memory by what it reads back, or counts a page too far. The registers "
        "behind the memory take its pattern as a command, and some read back like memory.",
        do="Give the loop an end below the first card, or try one cell of each page only where no card is.",
        bench="Trigger on the card's select with R/W low while the loop runs.",
    ),
    Rule(
        name="stack-uneven",
        level="error",
        title="a routine ends with a byte too many or too few on the stack",
        story="The queue is full for once, and the program is somewhere else: on that way the PLA was forgotten.",
        hardware="RTS and RTI pull what is on top, whatever it is: a pushed A becomes half of the return address.",
        do="Have every way to the RTS pull what it has pushed; leave by one common end.",
        bench="Trigger on the RTS and compare the two stack reads with the address behind the JSR.",
    ),
    Rule(
        name="register-unset",
        level="warning",
        title="a register or flag is used that was never set",
        story="TXS stands before LDX, or CLC is missing before the first ADC: it works after a warm start.",
        hardware="RESET sets I and, on the CMOS part, clears D. A, X, Y, the carry and the overflow flag hold whatever "
        "they happen to hold.",
        do="Load the register, or set the flag, before the instruction that uses it.",
        bench="Switch off and on several times and look whether the first seconds are the same.",
    ),
    Rule(
        name="undriven-read",
        level="error",
        title="the CPU reads an address that no card drives",
        story="The read seems to give a sensible byte: the bus keeps the last one, often the high byte of the address.",
        hardware="The data lines float; what is read depends on stray capacitance, clock and what is plugged in.",
        do="Correct the address, or the select pattern of the card that was meant.",
        bench="Hang 10 kilo-ohm pull-ups on the data lines: the byte changes to $FF.",
    ),
    Rule(
        name="write-only-read",
        level="error",
        title="a register is read that can only be written",
        story="INC or ORA on an output latch: the byte read is not what was written.",
        hardware="A '574 latch has no way back to the bus; the read floats, or another register answers.",
        do="Keep a copy of the register in RAM, change that, and write it out.",
        bench="Output enable of the board's buffer stays high while R/W is high.",
    ),
    Rule(
        name="stack-wrap",
        level="error",
        title="the stack has run round its page",
        story="128 nested calls work, 129 overwrite the first return address; nothing warns.",
        hardware="The stack is page 1 and nothing else; S wraps silently from $00 to $FF and back.",
        do="Nest less deep, end every routine by its RTS, pull as often as you push.",
        bench="Trigger on a write to $01FF long after start.",
    ),
    Rule(
        name="stack-underflow",
        level="error",
        title="more is pulled from the stack than was pushed",
        story="A PHA was lost in an edit, or a routine was jumped to that ends in RTS.",
        hardware="The CPU pulls what lies above the stack, runs round to $0100, and returns to noise.",
        do="Push as often as you pull on every way; end with RTS only what was entered by JSR.",
        bench="Look at the stack addresses in the cycles of the RTS that goes wrong.",
    ),
    Rule(
        name="stack-pointer-unset",
        level="error",
        title="the stack is used before S was set",
        story="It always worked, because S came up with the same value on this one CPU.",
        hardware="After RESET S is undefined; a stack that starts low wraps early.",
        do="Begin with LDX #$FF, TXS.",
        bench="Look at the address of the first push after RESET over several power-ups.",
    ),
    Rule(
        name="decimal-at-interrupt",
        level="error",
        title="the handler adds or subtracts with the decimal flag of the interrupted program",
        story="The tick counter jumps from 9 to $10, but only while the score is being added up.",
        hardware="The NMOS 6502 leaves D as it is when an interrupt is taken; the CMOS part clears it.",
        do="Begin the handler with CLD; RTI brings the old flag back.",
        bench="Rare by nature: force it by a long loop with SED in the main program.",
    ),
    Rule(
        name="decimal-open",
        level="warning",
        title="the handler would add or subtract with the decimal flag of the program, had it come a little later",
        story="The tick counter jumps from 9 to $10 once a week, while the score is being added up.",
        hardware="The NMOS 6502 leaves D as it is when an interrupt is taken; the CMOS part clears it.",
        do="Begin the handler with CLD; RTI brings the old flag back. Where the source of the interrupt is shut off "
        "at its card while D is set, accept the finding.",
        bench="Rare by nature: force it by a long loop with SED in the main program.",
    ),
    Rule(
        name="decimal-undefined",
        level="error",
        title="the program adds or subtracts before D was set or cleared",
        story="Fine with one CPU, wrong sums with the next.",
        hardware="After RESET the NMOS part's decimal flag is undefined; the CMOS part clears it.",
        do="CLD among the first instructions.",
        bench="Swap the CPU, or switch on and off until it happens.",
    ),
    Rule(
        name="decimal-left-set",
        level="warning",
        title="the decimal flag is set and never cleared again",
        story="SED was typed for CLD at the start, or a score is added up and the CLD after it was lost: from then on "
        "every 9 + 1 is $10, in tables, pointers and counters alike.",
        hardware="D stays as it is until CLD, PLP or RTI; ADC and SBC obey it wherever they stand.",
        do="CLD at the start, and SED and CLD close round each sum in decimal.",
        bench="Add $09 and $01 in the main loop and put the sum on a port: $10 instead of $0A.",
    ),
    Rule(
        name="sequence-unguarded",
        level="error",
        title="an interrupt may come into a sequence of accesses that the handler breaks",
        story="The screen is scrambled once an evening: the frame interrupt read the status just between the two "
        "control bytes of the main program.",
        hardware="The card remembers how far a sequence has come; it cannot know that two programs talk to it in turn.",
        do="SEI before the first access and CLI after the last, or leave the card to the handler alone.",
        bench="Trigger on the handler's first fetch after a single control write; wait long.",
    ),
    Rule(
        name="open-bit-tested",
        level="error",
        title="the program decides by a bit that nothing drives",
        story="The ready bit is bit 0, the mask says $80: the loop ends at once on one board and never on another.",
        hardware="An open data line keeps what was on it before, most often the high byte of the address, until "
        "something else charges it.",
        do="Correct the mask or the branch; `simkit cards --machine MACHINE SLOT` names the bits as they are wired.",
        bench="Hang 10 kilo-ohm from that data line to the supply, then to ground: the program behaves otherwise.",
    ),
    Rule(
        name="handler-registers",
        level="error",
        title="an interrupt handler changes a register that the program needs",
        story="Rare wrong comparisons: the handler loads A and returns without the old value. RTI restores flags and "
        "address, nothing else.",
        hardware="The damage shows only when the interrupt falls between a load and the use of what was loaded.",
        do="PHA at entry, PLA before RTI; X and Y by PHX, PHY or through A. Pull in the opposite order.",
        bench="Count how often the main loop is wrong with interrupts on and off.",
    ),
    Rule(
        name="handler-stack",
        level="error",
        title="an interrupt handler pulls more or less than it pushed, or ends by RTS",
        story="A PLA was lost in an edit; RTI then takes the saved A for the flags and flags for an address. Or the "
        "handler was written like a subroutine.",
        hardware="The CPU returns to an address that nobody wrote, with wrong flags. RTS pulls two bytes and adds 1; "
        "the interrupt has pushed three, flags last.",
        do="Count PHA, PHX, PHY, PHP against PLA, PLX, PLY, PLP on every way through the handler; end it by RTI.",
        bench="Compare S at the vector fetch and at the RTI.",
    ),
    Rule(
        name="interrupt-unacknowledged",
        level="error",
        title="the interrupt line stays low through run after run of the handler",
        story="The handler named by the vector never touches the card that asks; the main program stands still. Often "
        "the words at $FFFA and $FFFE are exchanged.",
        hardware="IRQ is a level: as long as a card pulls it low, the CPU enters the handler again after each RTI.",
        do="Read or write the register that makes the card let go, and check that the vector names this handler.",
        bench="IRQ sits low; SYNC shows nothing but the handler.",
    ),
    Rule(
        name="interrupt-overload",
        level="error",
        title="interrupts come faster than the handler serves them",
        story="The timer was set for cycles where microseconds were meant, or a second source was joined to IRQ: the "
        "handler is right, the main program stands still.",
        hardware="IRQ is a level and is looked at again at the end of RTI: while another request waits, the handler "
        "begins anew without an instruction of the main program. An interrupt and its RTI alone take 13 cycles.",
        do="Let the source ask less often, shorten the handler, or serve all sources that ask in one run.",
        bench="Let the handler set a port pin at its start and clear it at its end: it is high nearly all the time.",
    ),
    Rule(
        name="interrupt-shut-out",
        level="error",
        title="a card asks for an interrupt all the time and is not let in",
        story="Timer and handler are set up, the CLI was forgotten: nothing ticks.",
        hardware="RESET sets the interrupt flag I; while it is set, the CPU does not answer IRQ. The request waits and "
        "the line stays low.",
        do="CLI when everything is set up; if it comes later than this run, run longer (--for). A program that means "
        "to poll needs no handler and no interrupt enabled.",
        bench="IRQ sits low; no vector fetch at $FFFE ever follows.",
    ),
    Rule(
        name="nmi-held-low",
        level="error",
        title="NMI stays low after its handler has returned",
        story="The handler on NMI ticks once and never again: it does not make the card let go, or a second source "
        "holds the line.",
        hardware="NMI is an edge: the CPU answers a fall from high to low, once. A line that stays low cannot fall.",
        do="Read or write in the handler the register that makes the card let go. Sources that share NMI must all have "
        "let go before the handler returns.",
        bench="NMI sits low; the only vector fetch at $FFFA is long past.",
    ),
    Rule(
        name="shared-cell",
        level="error",
        title="handler and main program use the same memory cell for different things",
        story="A value just stored reads back different now and then: the handler used the cell in between.",
        hardware="Both work in the same memory, and the handler comes between any two instructions.",
        do="Give the handler cells of its own, or save and restore the cell in the handler, or forbid the interrupt "
        "from the store to the read. Not told are numbers of several bytes read in parts and counts loaded, changed "
        "and stored again while the handler counts: those want SEI, too, or a second reading that agrees.",
        bench="Disable the interrupt: the fault goes away.",
    ),
    Rule(
        name="brk-executed",
        level="warning",
        title="a BRK was executed",
        story="Either the program ran into a zero byte, or BRK was put in as a breakpoint and the return skips a byte.",
        hardware="BRK pushes its address plus two: unless the handler corrects that, RTI skips the byte after it.",
        do="Find how the program got there; put a filler byte after a deliberate BRK, and accept the finding.",
        bench="A vector fetch at $FFFE with IRQ high is a BRK.",
    ),
    Rule(
        name="undefined-opcode",
        level="error",
        title="an opcode was executed that the CPU does not have",
        story="The program ran into data, or was assembled for the other part.",
        hardware="NMOS: something undocumented, or a lock-up; CMOS: a no-operation of one to eight cycles.",
        do="Look at the instructions before it: the way there is the fault.",
        bench="Follow SYNC back from that address.",
    ),
    Rule(
        name="ran-away",
        level="error",
        title="the program left its code",
        story="A return address was overwritten, a jump table index ran over, a vector was wrong: the CPU fetches "
        "opcodes where no program is.",
        hardware="It executes noise, writes anywhere, and may switch outputs on that should stay off.",
        do="Look at the last instructions before it; the check stops here, since what follows means nothing.",
        bench="Trigger on SYNC with an address outside your ROM, armed when the program runs: the reset sequence shows "
        "SYNC too.",
    ),
    Rule(
        name="dummy-access",
        level="error",
        title="a spare cycle of an instruction reads a register, and the read does something",
        story="A received byte is gone before anybody looked; the chip set up with indexed stores is wrong, with plain "
        "stores right.",
        hardware="The CPU makes one access in every cycle, and the register cannot know that nobody wanted the byte. "
        "Indexed stores read before they write, on the NMOS 6502 without the carry into the high byte, on the W65C02S "
        "where they will write if the index crosses no page. Indexed loads read a wrong page first on the NMOS 6502 if "
        "the index crosses one. INC, ASL, TSB and their like read twice on the W65C02S (`simkit opcode` shows each "
        "cycle).",
        do="Indexed store or load: a plain STA or LDA at the register, or base and index chosen so that the spare read "
        "falls on a harmless address. INC and its like: load, change and store by instructions of their own. Told is "
        "what did harm in this run: with no flag set and no byte waiting there was none.",
        bench="Count the read strobes of the card: one more than the program asks for.",
    ),
    Rule(
        name="double-write",
        level="error",
        title="a read-modify-write instruction writes a register twice, and the first write does something",
        story="INC at a timer starts it twice, ASL at a flag register clears every flag that was set, INC at a serial "
        "port loads the transmitter twice and one byte is lost.",
        hardware="The NMOS 6502 writes back the byte that it has read, and the new one a cycle later; the register "
        "takes both. The W65C02S reads twice instead.",
        do="Load, change and store by instructions of their own: LDA, CLC, ADC #1, STA; or keep a copy in RAM, change "
        "that and store it.",
        bench="Count the write strobes of the card: two in neighbouring cycles for one instruction.",
    ),
    Rule(
        name="wait-without-end",
        level="note",
        title="the program spends the rest of the run in one small loop",
        story="Waiting for a flag that never comes looks like a dead board. The check tries a key, the pads, a button "
        "and a serial byte: of a loop that one of them ends nothing is said.",
        hardware="A bit that no one drives, a wrong mask, a card that is not plugged in, or a handler that never runs.",
        do="Check mask and register of the loop; of a handler, whether it stores what the loop looks at.",
        bench="The address lines repeat with a short period.",
    ),
    Rule(
        name="jump-over-page-end",
        level="error",
        title="a jump takes half of its address from the wrong end of a page",
        story="The table of jumps worked for months; with one more variable before it the last entry jumps anywhere.",
        hardware="JMP (pointer) of the NMOS 6502 does not carry into the high byte of the pointer: after $02FF comes "
        "$0200. The CMOS part takes one cycle more and reads $0300.",
        do="Move the pointer by a byte, or align the table of pointers to an even address.",
        bench="Trigger on the jump's opcode fetch and read the two addresses that follow its operand.",
    ),
    Rule(
        name="request-unheard",
        level="warning",
        title="a card asks for an interrupt on a pin that is joined to nothing",
        story="The timer is set up, its flag is enabled, the handler is right, and nothing ticks: on this board the "
        "card's interrupt pin ends at a jumper that nobody closed.",
        hardware="The card pulls its own pin low, and the low level goes nowhere: IRQ of the CPU stays high.",
        do="Join the pin to IRQ (`lines` of the card), or to NMI, whose vector the handler must then have. A program "
        "that means to poll leaves the interrupt off at the card.",
        bench="The pin of the card is low, IRQ at the CPU is high.",
    ),
    Rule(
        name="wait-in-vain",
        level="warning",
        title="the program waits for a bit that cannot come",
        story="The mask of the flag has its one in the wrong place, the timer got its low byte and never its high one, "
        "or the receiver was never turned on: the loop never ends, or ends by noise, on some days.",
        hardware="A flag is set by its source alone. A source that is off, was not started or has an input joined to "
        "nothing sets none, however long the program looks.",
        do="Compare the mask of the loop with the register's table (`simkit map`), then the set-up with what the flag "
        "needs.",
        bench="Read the whole register in the loop and put it on a port: another bit may stand there.",
    ),
    Rule(
        name="request-not-made",
        level="warning",
        title="interrupts are allowed and awaited, and the card was not told to ask",
        story="The timer runs, the handler is right, the CLI is there, and nothing ticks: the byte that enables the "
        "interrupt lacks the bit that says enable, or its source was never started.",
        hardware="A flag and a request are two things: the card pulls its line only for flags that are enabled.",
        do="Write to the card what the finding names, before CLI. Of a 6522: bit 7 of the byte for IER is 1.",
        bench="IRQ stays high; the flag register shows the flag.",
    ),
    Rule(
        name="set-up-half-done",
        level="warning",
        title="a card was set up half",
        story="The lamps stay dark: the program writes the port, and nobody ever told the chip that its pins are "
        "outputs.",
        hardware="RESET makes all pins of a port inputs and leaves rates at 0; each needs a register of its own.",
        do="Write the register, or join the pin, that the finding names. If the other write was meant for its side "
        "effect, accept the finding.",
        bench="Measure a pin of the port: it follows a resistor of 10 kilohms to either rail.",
    ),
)
