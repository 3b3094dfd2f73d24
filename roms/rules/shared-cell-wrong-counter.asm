; Both count their rounds down in the same cell.
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
loop:   lda #12
        sta $30
round:  inc $40
        dec $30
        bne round
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda #5
        sta $30
again:  inc $41
        dec $30
        bne again
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
