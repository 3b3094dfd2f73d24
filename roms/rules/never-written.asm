; A counter is raised that was never set: it starts with what RAM held at power-up.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        inc $10
        lda $10
        sta BENCH_DATA
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
