; Handler and main program use the same cell for different things.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        lda #20
        sta BENCH_PERIOD
        cli
        ldx #0
loop:   inx
        stx $30
        nop
        cpx $30
        beq loop
        stx $10
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda #$12
        sta $30
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
