; The vectors of NMI and IRQ are exchanged: the handler named never touches the card.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $10
        lda #20
        sta BENCH_PERIOD
        cli
loop:   inc $10
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word handler, start, other
