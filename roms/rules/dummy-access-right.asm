; Plain accesses; an indexed store at a register whose reads do nothing.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #1
        lda #1
        sta BENCH_STATUS,x
        sta BENCH_ACKNOWLEDGE
        lda BENCH_STATUS
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
