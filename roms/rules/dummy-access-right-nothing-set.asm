; An indexed store reads its target in a spare cycle, and there is nothing that the read could clear.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #0
        sta BENCH_STATUS,x
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
