; An indexed store reads its target in a spare cycle: the status is cleared before anybody saw it.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #0
        lda #1
        sta BENCH_STATUS,x
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
