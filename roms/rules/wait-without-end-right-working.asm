; The main loop is small, but it works.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
loop:   lda BENCH_STATUS
        sta BENCH_OUTPUT
        jmp loop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
