"""Handlers and requests: what the check says of them, and what it does not say of handlers that are in order.

Machine: the bench machine M1 with a second 6522 on NMI at $4800 unless a case says otherwise.
"""

from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

ROOT = Path(__file__).resolve().parents[2]
SECOND = """
[[card]]
slot = 6
kind = "ports-6522"
select = "0100 1000 0000 xxxx"
lines = { INT = "LINE" }
"""
SECOND_TIMER_LOW = "$4804"
TIMERS = """
        lda #PORTS_FREE_RUN
        sta PORTS_CONTROL
        sta $480B
        lda #PORTS_SET+PORTS_TIMER
        sta PORTS_ENABLE
        sta $480E
        lda #<FIRST
        sta PORTS_TIMER_LOW
        lda #>FIRST
        sta PORTS_TIMER_HIGH
        lda #SECOND
        sta $4804
        lda #0
        sta $4805
"""


@pytest.fixture
def checked(assemble, tmp_path):
    """Check a program; the result. `main` follows LDX #$FF, TXS, CLD; `after` holds handler and nmi."""

    def run(main, after="", *, second="NMI", seconds=Fraction(1, 50), aliases="", cpu="6502", fill="$FF"):
        source = tmp_path / "rule.asm"
        after = "\n".join([after, *(f"{name}:  rti" for name in ("handler", "nmi") if f"{name}:" not in after)])
        source.write_text(
            f'.include "{(ROOT / "roms" / "bench.inc").as_posix()}"\n{aliases}\n.org $8000\nstart:  ldx #$FF\n'
            f"        txs\n        cld\n{main}\n{after}\n.advance $FFFA, {fill}\n.word nmi, start, handler\n"
        )
        assemble(source, tmp_path)
        (tmp_path / "machine.toml").write_text(
            f'base = "{(ROOT / "demo" / "bench" / "machine.toml").as_posix()}"\ncpu = "{cpu}"\n[[card]]\nslot = 2\n'
            'image = "rule.bin"\nlabels = "rule.labels"\n' + SECOND.replace("LINE", second)
        )
        return check(Machine.load(tmp_path), seconds=seconds)

    return run


@pytest.fixture
def found(checked):
    """The first finding of each rule, by rule."""

    def run(*arguments, **options):
        return {one.rule.name: one for one in reversed(checked(*arguments, **options).findings)}

    return run


FORGOTTEN = f"{TIMERS}\nstay:   jmp stay"
IRQ_SERVED = "handler: bit PORTS_TIMER_LOW\n        rti\n"
FIRST_ONLY = ".alias FIRST 200\n.alias SECOND 0\n"
BOTH = ".alias FIRST 300\n.alias SECOND 111\n"
QUIET_NMI = f"nmi:    bit {SECOND_TIMER_LOW}\n        rti\n"


def test_a_forgotten_cli_is_named(found):
    wrong = found(FORGOTTEN, IRQ_SERVED + QUIET_NMI, aliases=BOTH)["interrupt-shut-out"]
    assert "Port card (slot 4)" in wrong.message
    assert wrong.label == "handler"


def test_a_handler_found_through_a_vector_in_memory_counts(found):
    """Common practice: the ROM's handler jumps through two cells that the program sets."""
    main = "lda #<real\nsta $0300\nlda #>real\nsta $0301\n" + FORGOTTEN
    rules = found(main, "handler: jmp ($0300)\nreal:   bit PORTS_TIMER_LOW\nrti\n" + QUIET_NMI, aliases=BOTH)
    assert "interrupt-shut-out" in rules


@pytest.mark.parametrize(
    ("stay", "handler"),
    [
        ("stay: lda PORTS_FLAGS\nand #PORTS_SHIFTED\nbeq stay\nstop: jmp stop", IRQ_SERVED),  # polls another flag
        ("stay: lda PORTS_FLAGS\nbpl stay\nbit PORTS_TIMER_LOW\njmp stay", IRQ_SERVED),  # polls and serves
        ("stay: jmp stay", "handler: rti\n"),  # nothing is written for the card
        ("cli\nnop\nnop\nwait: lda $10\nbeq wait\nsei\nstay: jmp stay", "handler: bit PORTS_TIMER_LOW\ninc $10\nrti\n"),
    ],
    ids=["polls-another-flag", "polls-and-serves", "no-handler", "served-before"],
)
def test_a_program_that_wants_no_interrupt_is_not_blamed(found, stay, handler):
    main = f"lda #0\nsta $10\n{TIMERS}\n{stay}"
    assert "interrupt-shut-out" not in found(main, handler + QUIET_NMI, aliases=BOTH)


def test_nmi_held_low_is_told_from_a_handler_that_stays(found):
    """Western Design Center, W65C02S data sheet, section 3 (NMIB): a fall starts the sequence, a low level does not."""
    wrong = found(FORGOTTEN, "nmi: rti\n", aliases=BOTH)["nmi-held-low"]
    assert "never touch it" in wrong.message
    other = found(FORGOTTEN, "nmi: bit $480D\nrti\n", aliases=BOTH)["nmi-held-low"]
    assert "touch it, but not the register" in other.message
    assert "nmi-held-low" not in found(FORGOTTEN, "nmi: jmp nmi\n", aliases=BOTH)  # the end of the program, on purpose


def test_a_button_that_somebody_holds_on_nmi_is_no_fault(tmp_path):
    """No access makes it let go (common practice: a warm-start button)."""
    rom = bytearray(b"\xff" * 32768)
    rom[:6] = bytes.fromhex("A2FF9A4C0380")  # ldx #$ff, txs, jmp to itself
    rom[0x10] = 0x40  # rti
    rom[0x7FFA:] = bytes.fromhex("108000801080")
    (tmp_path / "rule.bin").write_bytes(rom)
    (tmp_path / "machine.toml").write_text(
        f'base = "{(ROOT / "demo" / "bench" / "machine.toml").as_posix()}"\n[[card]]\nslot = 2\nimage = "rule.bin"\n'
        '[[card]]\nslot = 6\nkind = "button-row"\nsettings = { joined = "pins", count = 1 }\nlines = { B0 = "NMI" }\n'
    )
    machine = Machine.load(tmp_path)
    machine.buttons.press(machine.buttons.port.labels[0], at=1000)
    result = check(machine, seconds=Fraction(1, 50))
    assert not machine.lines["NMI"].level
    assert "nmi-held-low" not in {finding.rule.name for finding in result.findings}


CLOBBERS = f"nmi:    bit {SECOND_TIMER_LOW}\n        ldy $31\n        iny\n        sty $31\n        rti\n"
WORKS_WITH_Y = """
handler: pha
        tya
        pha
        lda PORTS_TIMER_LOW
        ldy #20
again:  iny
        dey
        dey
        bne again
        pla
        tay
        pla
        rti
"""


def test_a_register_spoilt_inside_another_handler_is_named(found):
    main = f"lda #0\nsta $31\n{TIMERS}\ncli\nstay:   inc $40\n jmp stay"
    wrong = found("lda #0\nsta $40\n" + main, WORKS_WITH_Y + CLOBBERS, aliases=BOTH)["handler-registers"]
    assert "was entered (NMI)" in wrong.message
    kept = CLOBBERS.replace("ldy $31", "sty $32\nldy $31").replace("rti", "ldy $32\nrti")
    assert "handler-registers" not in found("lda #0\nsta $40\n" + main, WORKS_WITH_Y + kept, aliases=BOTH)


def test_what_the_main_program_does_not_need_is_not_charged_to_a_handler_that_saves_it(found):
    """A changed register that a second handler pushes, pulls or stores away is used by nobody."""
    main = f"lda #0\nsta $31\nsta $40\n{TIMERS}\ncli\nstay:   inc $40\n jmp stay"
    saves = WORKS_WITH_Y.replace("tya\n        pha", "sty $33").replace("pla\n        tay", "ldy $33")
    spoils_a = f"nmi:    lda {SECOND_TIMER_LOW}\n        rti\n"
    assert "handler-registers" not in found(main, saves + spoils_a, aliases=BOTH)


def test_two_sources_that_are_each_answered_are_too_many_not_unanswered(found):
    handler = """
handler: pha
        bit PORTS_FLAGS
        bvc other
        lda PORTS_TIMER_LOW
        pla
        rti
other:  lda $4804
        pla
        rti
"""
    main = f"{TIMERS}\ncli\nstay:   jmp stay"
    rules = found(main, handler, second="IRQ", aliases=".alias FIRST 30\n.alias SECOND 33\n")
    assert "Port card (slot 4) and Port card (slot 6)" in rules["interrupt-overload"].message
    assert "interrupt-unacknowledged" not in rules
    rules = found(main, handler, second="IRQ", aliases=".alias FIRST 140\n.alias SECOND 143\n")
    assert not {"interrupt-overload", "interrupt-unacknowledged"} & set(rules)
    wrong = handler.replace("lda $4804", "lda $4806")
    rules = found(main, wrong, second="IRQ", aliases=".alias FIRST 140\n.alias SECOND 143\n")
    assert "pulled by Port card (slot 6);" in rules["interrupt-unacknowledged"].message
    assert "not the register" in rules["interrupt-unacknowledged"].message
    assert "interrupt-overload" not in rules


def test_a_handler_that_allows_interrupts_too_early_is_named(found):
    main = f"lda #0\nsta $40\n{TIMERS}\ncli\nstay:   jmp stay"
    wrong = found(main, "handler: cli\ninc $40\nbit PORTS_TIMER_LOW\nrti\n" + QUIET_NMI, aliases=FIRST_ONLY)
    assert "CLI comes too early" in wrong["interrupt-unacknowledged"].message


def test_rts_at_the_end_of_a_handler_is_named(found):
    main = f"{TIMERS}\ncli\nstay:   jmp stay"
    wrong = found(main, "handler: bit PORTS_TIMER_LOW\nrts\n" + QUIET_NMI, aliases=BOTH)["handler-stack"]
    assert "ends by RTS" in wrong.message
    assert wrong.source == "rts"
    wrong = found(main, "handler: bit PORTS_TIMER_LOW\nplp\nrts\n" + QUIET_NMI, aliases=BOTH)["handler-stack"]
    assert "RTS, which adds 1" in wrong.message
    pushed = "handler: bit PORTS_TIMER_LOW\npha\nlda #>back-1\npha\nlda #<back-1\npha\nrts\nback: pla\nrti\n"
    assert "handler-stack" not in found(main, pushed + QUIET_NMI, aliases=BOTH)


def test_brk_says_what_its_rti_did(found):
    """Common practice: the stacked address is that of BRK plus two."""
    main = "lda #0\nsta $40\nagain: brk\nnop\nnop\nstop: jmp stop"
    assert "so the byte at $8009 is skipped" in found(main, "handler: rti")["brk-executed"].message
    corrects = """
handler: tsx
        sec
        lda $0102,x
        sbc #1
        sta $0102,x
        rti
"""
    assert "returns to $8009, the byte after the BRK" in found(main, corrects)["brk-executed"].message
    leaves = "handler: tsx\nlda #<stop\nsta $0102,x\nlda #>stop\nsta $0103,x\nrti"
    assert "goes to $800B: it has changed" in found(main, leaves)["brk-executed"].message
    assert "runs and ends without RTI" in found(main, "handler: pla\npla\npla\njmp stop")["brk-executed"].message
    rules = found(main, "handler: plp\nrts")  # RTS adds 1 to the stacked address: after a BRK that is the fourth byte
    assert "runs and ends without RTI" in rules["brk-executed"].message
    assert "handler-stack" not in rules
    assert "has not returned" in found(main, "handler: jmp handler")["brk-executed"].message


def test_only_pushes_run_round_the_stack(checked):
    main = "lda #0\nsta $20\nmain: jsr sub\ninc $20\njmp main\n"
    leak = "sub: pha\nlda $20\ncmp #9\nbne over\npla\njmp main\nover: pla\nrts\n"
    wraps = [one for one in checked(main, leak).findings if one.rule.name == "stack-wrap"]
    assert wraps
    assert all(one.message.startswith(("PHA pushes", "JSR pushes")) for one in wraps)
