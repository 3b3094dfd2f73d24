; The handler loads A and does not restore it.
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
        nop
        nop
        cmp #$12
        beq loop
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        lda #$99
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
