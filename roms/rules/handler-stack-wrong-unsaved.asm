; The handler ends by the pulls of another one that has pushed.
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
        pla
        tay
        pla
        tax
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
