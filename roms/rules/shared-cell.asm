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
loop:   lda #$12
        sta $30
        nop
        lda $30
        cmp #$12
        beq loop
        sta $10
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        inc $30
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
