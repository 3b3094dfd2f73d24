; SED and CLD close round the sum.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
loop:   sed
        clc
        lda $20
        adc #1
        sta $20
        cld
        jmp loop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
