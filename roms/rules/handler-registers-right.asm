; The handler restores A, X and Y; another program never needs what the handler changes.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #20
        sta BENCH_PERIOD
        cli
loop:   lda #$12
        tax
        tay
        nop
        nop
        cmp #$12
        beq loop
        jmp loop
handler:
        pha
        txa
        pha
        tya
        pha
        sta BENCH_ACKNOWLEDGE
        lda #$99
        tax
        tay
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
