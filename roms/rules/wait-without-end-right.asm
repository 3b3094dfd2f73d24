; The right mask; the program goes on working after the wait.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #20
        sta BENCH_PERIOD
loop:   lda BENCH_STATUS
        and #$80
        beq loop
        ldx #0
more:   txa
        sta $0200,x
        lda #3
        sta $20
inner:  dec $20
        bne inner
        clc
        adc #1
        sta $21
        lda $21
        tay
        iny
        sty $22
        ldy $22
        nop
        nop
        nop
        inx
        jmp more
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
