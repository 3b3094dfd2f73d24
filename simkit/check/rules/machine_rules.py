"""Rules that the machine and its memory cards report."""

from __future__ import annotations

from simkit.check.rules.rule import Rule

MACHINE_RULES = (
    Rule(
        name="contention",
        level="error",
        title="two drivers on the data lines at once",
        story="Two cards answer the same address, or one drives while the CPU writes; bytes are wrong, chips get warm.",
        hardware="Outputs short each other through the bus; the level is somewhere between, the current large.",
        do="Correct the select pattern of one of the cards named, or gate the output enable with R/W.",
        bench="Look for half levels on a data line with a scope; feel which buffer is warm.",
    ),
    Rule(
        name="output-fight",
        level="error",
        title="outputs fight on a line",
        story="Two cards pull one interrupt line, one of them with an output that drives high.",
        hardware="A push-pull output that is high holds against one that pulls low; the CPU may see neither.",
        do="Use open-drain outputs with a pull-up, or a gate.",
        bench="A line that stays near half the supply while one card pulls.",
    ),
    Rule(
        name="line-unheard",
        level="warning",
        title="a line is driven and nobody listens to it",
        story="The jumper of the interrupt output stands one pin too far: the card asks, the CPU never hears of it.",
        hardware="A line with one end carries nothing: the output moves a pin of the backplane and no more.",
        do="Correct the name of the line in `lines`, join to it the card that shall hear it, or leave the pin open.",
        bench="Ring the line through with a meter from the card's pin to where it should end.",
    ),
    Rule(
        name="line-undriven",
        level="warning",
        title="a card listens to a line that nobody drives",
        story="The select names BANK1, the latch brings out BANK_1: the card is selected always or never.",
        hardware="An input that nobody drives floats; a pull-up holds it high, without one it follows your hand.",
        do="Correct the name of the line, or join the output that shall drive it.",
        bench="Touch the line with a resistor of 10 kilohms to either rail: a driven line does not follow.",
    ),
    Rule(
        name="unsettled-lines",
        level="error",
        title="lines do not come to rest",
        story="An output feeds an input that feeds the output: a ring of gates.",
        hardware="It oscillates at the speed of its gates.",
        do="Break the ring with a flip-flop on PHI2.",
        bench="A scope shows a fast oscillation.",
    ),
    Rule(
        name="strobe-without-phi2",
        level="error",
        title="a write strobe is true while PHI2 is low",
        story="RAM cells change that nobody wrote.",
        hardware="Address and data change while PHI2 is low; a strobe open then writes to whatever passes by.",
        do="Gate the write strobe with PHI2.",
        bench="Show PHI2 and the strobe together.",
    ),
    Rule(
        name="cpu-jammed",
        level="error",
        title="an opcode locked the CPU up",
        story="The program ran into data; the NMOS part knows twelve opcodes after which only RESET helps.",
        hardware="The sequencer stops; no interrupt is taken.",
        do="Find how the program got there: see the instructions before it.",
        bench="SYNC stays low, the address lines stand still.",
    ),
    Rule(
        name="bus-released",
        level="error",
        title="the CPU ran on while BE was low",
        story="Somebody takes the bus and forgets the CPU; now and then an instruction is none.",
        hardware="BE low floats address, data and R/W at once. The CPU goes on with what it finds there.",
        do="Hold RDY low with BE, from before it falls until after it rises; tie BE high where nobody uses it.",
        bench="Show BE, RDY and PHI2 together.",
    ),
    Rule(
        name="write-to-rom",
        level="error",
        title="a write went to ROM",
        story="A variable was placed in the program, or a pointer is wrong.",
        hardware="The cell keeps its byte. An EEPROM whose write pin is connected may even take it.",
        do="Place variables in RAM; tie the write pin of EEPROMs high.",
        bench="Trigger on R/W low with A15 high.",
    ),
)
