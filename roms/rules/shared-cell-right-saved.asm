; The handler uses the cell and puts the old value back.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        lda #20
        sta BENCH_PERIOD
        cli
        ldx #0
loop:   inx
        stx $30
        nop
        lda $30
        sta BENCH_DATA
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        pha
        lda $30
        pha
        lda #9
        sta $30
        dec $30
        pla
        sta $30
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
