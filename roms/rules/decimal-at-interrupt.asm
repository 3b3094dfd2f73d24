; The handler adds in the decimal mode of the program it interrupted (NMOS 6502).
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
        sta $21
        lda #20
        sta BENCH_PERIOD
        cli
loop:   sed
        clc
        lda $20
        adc #1
        sta $20
        cld
        jmp loop
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
