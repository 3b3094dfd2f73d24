; INC reads twice on the W65C02S: what the spare read would clear, the read before it has cleared.
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
        inc BENCH_STATUS
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
