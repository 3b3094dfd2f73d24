; A queue: the main program counts its end up, the handler empties it and sets the end back.
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
loop:   ldx $30
        cpx #8
        bcs loop
        txa
        sta $40,x
        inc $30
        ldy #60
wait:   dey
        bne wait
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda #0
        sta $30
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
