; A PLA is missing in the handler.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #20
        sta BENCH_PERIOD
        cli
loop:   lda #$12
        nop
        jmp loop
handler:
        pha
        txa
        pha
        sta BENCH_ACKNOWLEDGE
        pla
        tax
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
