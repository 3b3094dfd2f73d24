; The handler raises a pointer of the main program.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $31
        lda #0
        sta $30
        lda #20
        sta BENCH_PERIOD
        cli
        ldx #0
        ldy #0
loop:   inx
        stx $30
        lda #$80
        sta $31
        lda ($30),y
        sta BENCH_DATA
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        inc $30
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
