; The handler ends like a subroutine.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #20
        sta BENCH_PERIOD
        cli
loop:   nop
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        rts
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
