; A routine with its operand in a fixed cell, which both use: one of them shifts it in place.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        sta $31
        sta $40
        sta $41
        lda #20
        sta BENCH_PERIOD
        cli
loop:   inc $40
        lda $40
        sta $30
        jsr times_10
        sta BENCH_DATA
        jmp loop
times_10:
        asl $30
        lda $30
        asl
        asl
        clc
        adc $30
        rts
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda #7
        sta $30
        jsr times_10
        sta $41
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
