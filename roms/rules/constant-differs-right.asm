; All registers stand where the card has them.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda BENCH_DATA
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
