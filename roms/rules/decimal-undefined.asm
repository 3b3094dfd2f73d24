; The program adds before D was cleared (NMOS 6502).
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        lda #9
        clc
        adc #1
        sta $20
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
