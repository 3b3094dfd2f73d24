; An indexed store reads its target in a spare cycle: OVER is cleared before anybody saw it.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #1
        stx BENCH_PERIOD
        ldy #10
wait:   dey
        bne wait
        dex
        sta BENCH_STATUS,x
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
