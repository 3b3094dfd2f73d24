; The handler uses the main program's cell, but in this run it never comes in the two instructions in between.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        lda #250
        sta BENCH_PERIOD
        cli
        ldx #0
loop:   inx
        stx $30
        lda $30
        sta BENCH_DATA
        ldy #200
wait:   dey
        bne wait
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda #$12
        sta $30
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
