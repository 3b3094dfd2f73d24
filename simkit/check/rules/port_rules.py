"""Rules that the cards with ports and serial lines report."""

from __future__ import annotations

from simkit.check.rules.rule import Rule

PORT_RULES = (
    Rule(
        name="flags-cleared-together",
        level="warning",
        title="one write cleared several waiting interrupt flags",
        story="Two timers run out together and only one is counted: the handler serves one and writes $7F to IFR.",
        hardware="Each flag stands for a source that waits; a cleared one is gone.",
        do="Clear only the flag that was served, by its bit or by the register access that clears it.",
        bench="Count pulses of the source against runs of its part of the handler.",
    ),
    Rule(
        name="open-input-read",
        level="warning",
        title="a port pin was read that nothing drives",
        story="The start-up waits for a busy flag of a display that is not plugged in.",
        hardware="An open input floats; it reads as its pull-up says, or as noise.",
        do="Put a resistor on the pin, plug the device in, or give the wait an end.",
        bench="Touch the pin with 10 kilo-ohm to ground and to the supply; the program goes on.",
    ),
    Rule(
        name="shift-clock-lost",
        level="warning",
        title="the shift register lost a clock from outside",
        story="Bits slip by one now and then; it took its builder months.",
        hardware="In the mode with an outside clock an edge close to PHI2's is missed by the chip.",
        do="Line the clock up with PHI2 by a flip-flop, or clock from the chip.",
        bench="Count clocks sent against interrupts after eight.",
    ),
    Rule(
        name="serial-byte-replaced",
        level="error",
        title="a byte was stored while the one before still waited",
        story="Letters are missing in fast output.",
        hardware="There is one transmit data register; a store replaces what waits in it.",
        do="Wait for the bit that says it is empty before each store.",
        bench="Compare what was sent with what the terminal shows.",
    ),
    Rule(
        name="serial-store-while-shifting",
        level="error",
        title="a byte was stored while one was being sent, on a part whose ready bit is always 1",
        story="The textbook loop, and garbled output: the newer part never says that it is busy.",
        hardware="On that part the ready bit does not fall; a store disturbs the byte that leaves.",
        do="Wait one byte time after each store, by a timer or a loop, or fit the older part.",
        bench="Show the transmit line: frames are cut short.",
    ),
    Rule(
        name="serial-byte-in-break",
        level="error",
        title="a byte was sent while the transmit line was held low",
        story="Nothing reaches the terminal, though every store is accepted: two command bits say break.",
        hardware="A break holds the line low; a byte that is shifted out under it does not show on the line.",
        do="Choose the transmitter without break, and begin a break when the last byte has left.",
        bench="Look at the transmit line: it stays low.",
    ),
    Rule(
        name="serial-overrun",
        level="error",
        title="a byte arrived before the one before was read",
        story="Pasting text into the machine loses letters.",
        hardware="There is one receive data register; the next byte is lost or takes its place.",
        do="Read within one byte time, use the interrupt and a buffer, or hold the sender off by RTS.",
        bench="Look at RTS while text is pasted.",
    ),
    Rule(
        name="serial-not-listening",
        level="warning",
        title="a byte arrived while the receiver was off",
        story="The first letters after power-up are lost.",
        hardware="Until rate and receiver are set, the chip ignores its input.",
        do="Set control and command before anybody sends.",
        bench="Watch when DTR falls.",
    ),
    Rule(
        name="serial-queue-full",
        level="note",
        title="more was sent to the machine than it will ever read",
        story="A test sends a file to a machine that does not read.",
        hardware="The far side holds a limited number of bytes.",
        do="Send less, or read faster.",
        bench="Nothing to see on the bench.",
    ),
)
