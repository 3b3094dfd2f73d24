"""What spare cycles do at registers: told where it changes something, and nowhere else.

MOS Technology, MCS6500 Hardware Manual, January 1976, appendix A: indexed stores read first, read-modify-write writes
the byte back first. Western Design Center, W65C02S data sheet, table 7-1: read-modify-write reads twice.
Rockwell, R6522 data sheet, and Synertek, SY6551 data sheet: what accesses to their registers do.
"""

from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

ROOT = Path(__file__).resolve().parents[2]
SPARE = ("dummy-access", "double-write", "video-dummy-read", "open-input-read")


@pytest.fixture
def found(assemble, tmp_path):
    """What the check says about spare cycles of a program on the bench machine: (rule, count, message)."""

    def run(program, cpu, sends=b"", extra=""):
        source = tmp_path / "rule.asm"
        source.write_text(
            f'.include "{(ROOT / "roms" / "bench.inc").as_posix()}"\n.org $8000\nstart:  ldx #$FF\n        txs\n'
            f"        cld\n{program}\nstop:   jmp stop\nhandler:\n        rti\n.advance $FFFA, $FF\n"
            ".word handler, start, handler\n"
        )
        assemble(source, tmp_path)
        (tmp_path / "machine.toml").write_text(
            f'base = "{(ROOT / "demo" / "bench" / "machine.toml").as_posix()}"\nname = "Rule bench"\ncpu = "{cpu}"\n'
            f'[[card]]\nslot = 2\nimage = "rule.bin"\nlabels = "rule.labels"\n{extra}'
        )
        machine = Machine.load(tmp_path)
        if sends:
            machine.serial.send(sends, at=500)
        findings = check(machine, seconds=Fraction(6, 1000)).findings
        return [(f.rule.name, f.count, f.message) for f in findings if f.rule.name in SPARE]

    return run


def rules(found):
    return [rule for rule, _, _ in found]


OUTPUTS = """
        lda #$FF
        sta PORTS_B_OUT
        sta PORTS_A_OUT
"""
LAMPS = (
    OUTPUTS
    + """
again:  inc PORTS_B
        inc PORTS_A
        asl PORTS_EDGES
        ror PORTS_TIMER_LOW
        jmp again
"""
)
TABLE = """
        ldx #15
loop:   lda values,x
        sta PORTS_B,x
        dex
        bpl loop
stay:   jmp stay
values: .byte $55, $AA, $FF, $FF, $FF, $FF, $FF, $FF, $FF, $FF, 0, 0, 0, $7F, $7F, $AA
"""
WAIT_FOR_TIMER_1 = """
        lda #1
        sta PORTS_TIMER_LOW
        lda #0
        sta PORTS_TIMER_HIGH
        ldx #10
loop:   dex
        bne loop
"""
RECEIVES = """
        lda #$1E
        sta SERIAL_CONTROL
        lda #$0B
        sta SERIAL_COMMAND
        ldy #0
loop:   nop
        nop
        nop
        dey
        bne loop
"""


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize("program", [LAMPS, TABLE], ids=["lamps", "table"])
def test_lamps_on_ports_and_a_table_for_all_sixteen_registers_are_no_mistake(found, cpu, program):
    assert found(program, cpu) == []


def test_tsb_and_trb_at_a_port_are_no_mistake(found):
    program = "again:  lda #$80\n        tsb PORTS_B\n        trb PORTS_B\n        jmp again"
    assert found(OUTPUTS + program, "65C02") == []


def test_the_port_is_read_by_the_program_alone(found):
    """A store's spare read of an open port tells nothing; the read that follows does."""
    store = "        ldx #0\n        sta PORTS_B,x"
    assert found(store, "6502") == []
    assert rules(found(store + "\n        lda PORTS_B", "6502")) == ["open-input-read"]


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_a_flag_that_the_spare_read_clears_and_the_write_does_not(found, cpu):
    """A write to T1C-L goes to the latch and leaves the flag; one to T1L-H clears the flag as well. R6522."""
    assert rules(found(WAIT_FOR_TIMER_1 + "sta PORTS_TIMER_LOW,x", cpu)) == ["dummy-access"]
    assert found("        ldx #0\n        sta PORTS_TIMER_LOW,x", cpu) == []


def test_a_page_crossing_takes_a_received_byte_on_the_nmos_part_alone(found):
    """LDA $4F01,X with X = $FF reads $4F00 first on the NMOS part; the serial card is put there."""
    program = RECEIVES.replace("SERIAL_", "AT_") + "        ldx #$FF\n        lda $4F01,x"
    program = ".alias AT_COMMAND $4F02\n.alias AT_CONTROL $4F03\n" + program
    extra = '[[card]]\nslot = 3\nselect = "0100 1111 0000 00xx"\n'
    ((rule, _, message),) = found(program, "6502", sends=b"A", extra=extra)
    assert rule == "dummy-access"
    assert "register data of Serial card (slot 3) at $4F00" in message
    assert found(program, "65C02", sends=b"A", extra=extra) == []
    assert found(program, "6502", extra=extra) == []


def test_a_handshake_that_begins_before_the_byte_is_there(found):
    """R6522 peripheral control: a read of ORA pulls CA2 low, and the far side takes the byte of the store before."""
    strobe = OUTPUTS + "        lda #%00001000\n        sta PORTS_EDGES\n"
    assert rules(found(strobe + "        ldx #0\n        sta PORTS_A,x", "65C02")) == ["dummy-access"]
    assert found(strobe + "        sta PORTS_A", "65C02") == []


@pytest.mark.parametrize(
    ("program", "register"),
    [
        ("        inc PORTS_TIMER_HIGH", "T1CH"),
        ("        inc PORTS_WAIT_HIGH", "T2CH"),
        ("        lda #PORTS_SHIFT_OUT\n        sta PORTS_CONTROL\n        rol PORTS_SHIFT", "SR"),
        (WAIT_FOR_TIMER_1 + "        asl PORTS_FLAGS", "IFR"),
        (RECEIVES + "        inc SERIAL_DATA", "data"),
    ],
)
def test_a_read_modify_write_that_writes_twice_on_the_nmos_part(found, program, register):
    """The old byte starts the timer, is shifted out, clears its own flags, is sent; the W65C02S writes once.

    It reads twice: a byte of the shift register begins anew, where CB1 would have fallen as the write comes (W65C22
    data sheet, Figure 2-11: 1.5 cycles after the access).
    """
    ((rule, count, message),) = found(program, "6502", sends=b"A" if register == "data" else b"")
    assert (rule, count) == ("double-write", 1)
    assert f"writes register {register} of " in message
    once = found(program, "65C02", sends=b"A" if register == "data" else b"")
    assert rules(once) == (["dummy-access"] if register == "SR" else [])


@pytest.mark.parametrize(
    "program",
    [
        "        asl PORTS_FLAGS",
        "        rol PORTS_SHIFT",
        "        inc PORTS_TIMER_LOW",
        WAIT_FOR_TIMER_1 + "        inc PORTS_A_OUT+4",
        "        inc SERIAL_COMMAND",
    ],
    ids=["no flag set", "shift register off", "latch", "flag cleared by both", "no effect"],
)
def test_a_byte_that_may_be_written_twice(found, program):
    """Latches keep the second byte; a flag cleared twice is cleared."""
    assert found(program, "6502") == []


def test_a_video_port_is_read_before_a_store_and_written_twice_by_inc(found):
    """The read of a read-modify-write is a wanted one: on the NMOS part its first write is the spare access."""
    assert rules(found("        ldx #0\n        sta $7000,x", "6502")) == ["video-dummy-read"]
    assert rules(found("        inc $7000", "6502")) == ["double-write"]
    assert rules(found("        inc $7000", "65C02")) == ["video-dummy-read"]


OWN_CARD = '''
import attrs
from simkit.contract.card import Card
from simkit.contract.registers import Register

@attrs.frozen(kw_only=True)
class NoSettings:
    """Nothing can be set."""

class Own(Card):
    """A queue of bytes, as somebody might write it."""
    kind = "own"
    Settings = NoSettings
    left = 9

    @classmethod
    def registers(cls, settings):
        return (Register(0, "queue", "rw", read_effect="takes a byte", write_effect="empties the queue"),)

    def peek(self, offset, cycle):
        return self.left

    def read(self, offset, cycle):
        self.left -= 1
        return self.left

    def write(self, offset, value, cycle):
        self.left = 0
'''
WHOLE = """
    def save(self, cycle):
        return {"left": self.left}

    def load(self, state):
        self.left = state["left"]
"""


@pytest.mark.parametrize(
    ("methods", "told"),
    [
        (WHOLE, False),
        ("", True),
        (WHOLE.replace('self.left = state["left"]', "raise ValueError(state)"), True),
        (WHOLE.replace('return {"left": self.left}', "return 1 / 0"), True),
    ],
    ids=["keeps the contract", "saves nothing", "cannot load", "cannot save"],
)
def test_a_card_of_ones_own_is_judged_by_what_it_saves_and_by_its_words_if_it_does_not(found, tmp_path, methods, told):
    """The store empties the queue anyway; only a card that shows its state can show that."""
    (tmp_path / "own.py").write_text(OWN_CARD + methods)
    extra = '[[card]]\nslot = 9\nkind = "file:own.py:Own"\nselect = "0100 0000 0000 0000"\n'
    assert rules(found("        ldx #0\n        sta $4000,x", "6502", extra=extra)) == ["dummy-access"] * told
    crossed = "        ldx #$FF\n        lda $4001,x"
    assert rules(found(crossed, "6502", extra=extra)) == ["dummy-access"]
    assert found(crossed, "65C02", extra=extra) == []


def test_a_spare_read_that_clears_what_the_read_after_it_should_have_seen(found, tmp_path):
    """The card answers at two pages; its state is the same either way, the byte that the program reads is not."""
    (tmp_path / "own.py").write_text(OWN_CARD.replace("self.left -= 1\n        return self.left", CLEARED) + WHOLE)
    extra = '[[card]]\nslot = 9\nkind = "file:own.py:Own"\nselect = "0100 000x 0000 0000"\n'
    crossed = "        ldx #$FF\n        lda $4001,x"
    assert rules(found(crossed, "6502", extra=extra)) == ["dummy-access"]
    assert found(crossed, "65C02", extra=extra) == []


CLEARED = "value, self.left = self.left, 0\n        return value"


def test_an_instruction_is_told_two_hundred_times_and_no_longer_looked_at(found):
    """As many as of any finding: states of a video card would take minutes."""
    ((rule, count, _),) = found("again:  inc PORTS_TIMER_HIGH\n        jmp again", "6502")
    assert (rule, count) == ("double-write", 200)


def test_two_bytes_for_a_transmitter_that_is_off_are_a_double_write_too(found):
    """Only the second would be sent; the card says that a byte was replaced, and this says by what."""
    assert rules(found("        inc SERIAL_DATA", "6502")) == ["double-write"]
    assert found("        inc SERIAL_DATA", "65C02") == []


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_an_interrupt_that_is_let_go_a_cycle_before_the_store_is_no_mistake(found, cpu):
    """A read and a write of ORB both clear CB1. R6522, interrupt flag register."""
    extra = '[[card]]\nslot = 4\nlines = { INT = "IRQ", CB1 = "X", PA0 = "X" }\n'
    asked = OUTPUTS + "        lda #%10010000\n        sta PORTS_ENABLE\n        ldx #0\n        lda #$FF\n"
    assert found(asked + "        sta PORTS_B,x", cpu, extra=extra) == []
