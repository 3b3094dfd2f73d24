; The status is read where it is.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #20
        sta BENCH_PERIOD
loop:   lda BENCH_STATUS
        bpl loop
        lda #0
        sta BENCH_PERIOD
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
