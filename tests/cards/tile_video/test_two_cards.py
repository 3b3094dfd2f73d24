"""Two tile-video cards in one machine, written byte by byte in turn: each keeps its own registers, pairs and memory."""

from pathlib import Path

import numpy as np
import pytest

from simkit import Machine
from simkit.inspect.video import VideoLook

ROOT = Path(__file__).resolve().parents[3]

SECOND_CARD = f'''name = "Two pictures"
base = "{ROOT / "demo/marlpit/machine.toml"}"
[[card]]
slot = 6
kind = "tile-video"
select = "0111 1111 0100 000x"
lines = {{ INT = "IRQ" }}
[card.settings]
part = "9929A"
'''

# Every byte goes to the first card, then its complement to the second; pairs are interleaved as well. Patterns: eight
# times the name. Names count up on the first card and down on the second.
PROGRAM = """
.org $8000
.alias FIRST  $7F30
.alias SECOND $7F40
reset:  sei
        cld
        stz $10
        stz $11
        lda FIRST+1
        lda SECOND+1
        ldx #0
set:    lda values_1,x
        sta FIRST+1
        lda values_2,x
        sta SECOND+1
        txa
        ora #$80
        sta FIRST+1
        sta SECOND+1
        inx
        cpx #8
        bne set
        ldx #$40                        ; patterns at $0000
        jsr both_from
        ldx #0
name:   ldy #8
row:    txa
        sta FIRST
        sta SECOND
        dey
        bne row
        inx
        bne name
        ldx #$54                        ; names at $1400
        jsr both_from
        ldy #3
        ldx #0
cell:   txa
        sta FIRST
        eor #$FF
        sta SECOND
        inx
        bne cell
        dey
        bne cell
        ldx #$60                        ; colours at $2000
        jsr both_from
        ldx #32
colour: lda #$F4
        sta FIRST
        lda #$1E
        sta SECOND
        dex
        bne colour
        ldx #$50                        ; end of sprites at $1000
        jsr both_from
        lda #$D0
        sta FIRST
        sta SECOND
        lda FIRST+1
        lda SECOND+1
        lda #$E0                        ; picture and interrupt on: first 60 Hz, second 50 Hz
        ldx #$81
        sta FIRST+1
        sta SECOND+1
        stx FIRST+1
        stx SECOND+1
        cli
done:   jmp done
both_from:
        lda #0
        sta FIRST+1
        sta SECOND+1
        stx FIRST+1
        stx SECOND+1
        rts
interrupt:
        pha
        bit FIRST+1
        bpl other
        inc $10
other:  bit SECOND+1
        bpl last
        inc $11
last:   bit $7F10                       ; the keyboard says that it is there
        bit $7F11
        pla
        rti
values_1: .byte 0, $80, $05, $80, $00, $20, $02, $01
values_2: .byte 0, $80, $05, $80, $00, $20, $02, $0B
.advance $FFFA, $FF
        .word interrupt, reset, interrupt
"""


@pytest.fixture(scope="module", params=["exact", "auto"])
def machine(request, assembled, tmp_path_factory):
    folder = tmp_path_factory.mktemp("two")
    (folder / "machine.toml").write_text(SECOND_CARD)
    (folder / "two.asm").write_text(PROGRAM)
    machine = Machine.load(folder, images={2: assembled(folder / "two.asm")}, engine=request.param)
    machine.run(seconds=0.5)
    return machine


def expected(names, ones, zeros):
    """Each dot of a cell is a bit of the cell's name, bit 7 left."""
    cells = np.array(names, np.uint8).reshape(24, 32).repeat(8, axis=0)
    bits = np.unpackbits(cells, axis=1)
    return np.where(bits == 1, ones, zeros)


def test_each_card_shows_its_own_picture(machine):
    names = [cell & 0xFF for cell in range(768)]
    assert (machine.card(5).screen.pixels == expected(names, 15, 4)).all()
    assert (machine.card(6).screen.pixels == expected([0xFF - name for name in names], 1, 14)).all()
    assert [VideoLook.of(machine, slot).registers[7] for slot in (5, 6)] == [0x01, 0x0B]
    assert list(machine.findings) == []


def test_each_card_interrupts_at_its_own_rate(machine):
    """59.92 and 50.16 frames a second: gateware documents; arithmetic. Both pull IRQ, each is answered."""
    first, second = machine.peek(0x10), machine.peek(0x11)
    assert first / second == pytest.approx(59.92274 / 50.15897, rel=0.07)
    assert first == pytest.approx(0.5 * 59.92, abs=4)


def test_one_screen_alone_must_be_named(machine):
    with pytest.raises(Exception, match="slot"):
        machine.screen.text()
