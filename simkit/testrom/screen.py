"""Checks of a 9918A card with its own memory."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.testrom.checks import Check, Failing, Plan, irq_check, lines_text, mirrors
from simkit.testrom.code import Code
from simkit.testrom.memory import mirror_check
from simkit.testrom.outputs import Output, ScreenOutput, add_pause
from simkit.testrom.survey import Survey

MEMORY_LINES = range(14)
"""Address lines of 16 KB."""
_SPACE = 0x20 * 8
"""The address walk reaches the space's first row, which must stay empty."""
_CELL = 0x0000
_OTHER = 0x0077
"""Cells of the table of letters that no letter of ours uses."""
FRAME_SECONDS = 1 / 50
"""A frame at most, with room: 262 lines of 342 dots at 5.369 MHz make 1/60 s; 9929A: 313 lines."""


def screen(survey: Survey, outputs: Sequence[Output]) -> Plan:
    """Video memory through both ports, status, interrupt, neighbours."""
    card = next((one for one in outputs if isinstance(one, ScreenOutput) and one.slot == survey.slot), None)
    if card is None:
        return Plan((), ("Its two ports have no addresses of their own.",))
    at = card

    def put(code: Code, address: int, value: int) -> None:
        at.address(code, address, to_write=True)
        code.add(f"lda #${value:02X}\nsta ${at.data:04X}")
        add_pause(code, at.gap_cycles)

    def get(code: Code, address: int) -> None:
        at.address(code, address, to_write=False)
        code.add(f"lda ${at.data:04X}")

    def data(code: Code, failing: Failing) -> None:
        more = code.new_label()
        code.add(f"ldx #$11\n{more}:")
        at.address(code, _CELL, to_write=True)
        code.add(f"lda patterns,x\nsta ${at.data:04X}")
        add_pause(code, at.gap_cycles)
        get(code, _CELL)
        code.add("eor patterns,x")
        failing.unless_zero()
        code.add(f"dex\nbmi {(done := code.new_label())}\njmp {more}\n{done}:")

    def addresses(code: Code, failing: Failing) -> None:
        put(code, _CELL, 0)
        for line in MEMORY_LINES:
            put(code, 1 << line, line + 1)
        for line in MEMORY_LINES:
            get(code, 1 << line)
            failing.unless_equal(line + 1, tells=line)
            add_pause(code, at.gap_cycles)
        get(code, _CELL)
        failing.unless_equal(0, tells=0x0F)
        put(code, _SPACE, 0)

    def status(code: Code, failing: Failing) -> None:
        more, fine = code.new_label(), code.new_label()
        reads = survey.cycles(8 * FRAME_SECONDS) // (256 * 15) + 1
        code.add(f"lda ${at.status:04X}\nldy #${min(255, reads):02X}\nldx #$00")
        code.add(f"{more}:\nlda ${at.status:04X}\nbmi {fine}\nnop\ndex\nbne {more}\ndey\nbne {more}")
        failing.now(1)
        code.add(f"{fine}:\nlda ${at.status:04X}\nand #$80")
        failing.unless_zero(2)

    def pull(code: Code) -> None:
        code.add(f"lda ${at.status:04X}")
        at.register(code, 1, 0xF0)

    def release(code: Code) -> None:
        at.register(code, 1, 0xD0)
        code.add(f"lda ${at.status:04X}")

    near, without = mirrors(survey, list(survey.addresses_of(survey.slot, 1, is_write=True)), survey.may_be_written)

    def neighbours(code: Code, failing: Failing) -> None:
        put(code, _OTHER, 0xA5)
        put(code, _CELL, 0x5A)
        for mirror in near:
            code.add(f"lda ${at.status:04X}\nlda #${_OTHER:02X}\nsta ${mirror.address:04X}")
            add_pause(code, at.gap_cycles)
            get(code, _CELL)
            failing.unless_equal(0x5A, tells=mirror.line)
            add_pause(code, at.gap_cycles)

    lines = (
        "Probe the data line of each bit shown at the card; then /CSR, /CSW and MODE. Bit 7 is D7 of the CPU, which "
    )
    plan = Plan(
        (
            Check(
                title="VIDEO MEMORY, DATA",
                emit=data,
                proves="data lines, both strobes and MODE: a walking 1, a walking 0, checkerboards in video memory",
                probe=f"{lines}the chip calls CD0.",
            ),
            Check(
                title="VIDEO MEMORY, ADDRESSES",
                emit=addresses,
                word="LINE",
                proves="each of the 14 address lines of video memory reaches a byte of its own",
                probe="The number is that of a line between the chip and its own memory.",
            ),
            Check(
                title="STATUS",
                emit=status,
                word="STEP",
                proves="the frame flag comes up by itself and a read clears it: the chip's crystal runs",
                probe="STEP 01: no frame ends, probe the chip's crystal. STEP 02: a read does not clear, probe /CSR.",
            ),
        )
    )
    plan += irq_check(
        survey,
        pull=pull,
        release=release,
        wait_cycles=survey.cycles(4 * FRAME_SECONDS),
        how="the end of a frame",
    )
    left_out = (f"Whether the decoder hears {lines_text(without)}.",) if without else ()
    checks = (mirror_check([mirror.line for mirror in near], neighbours),)
    more = "Sprites, patterns and colours: look at the screen (black letters on light yellow)."
    return plan + Plan(checks, (*left_out, more))
