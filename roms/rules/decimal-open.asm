; The handler would add in decimal mode, but in this run no interrupt comes in the few cycles of the sum (NMOS 6502).
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
        sta $21
        lda #250
        sta BENCH_PERIOD
        cli
wait:   lda $21
        beq wait
        sed
        clc
        lda $20
        adc #1
        sta $20
        cld
loop:   jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        clc
        lda $21
        adc #1
        sta $21
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
