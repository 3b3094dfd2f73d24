; The main program forbids the interrupt while D is set.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
        sta $21
        lda #250
        sta BENCH_PERIOD
        cli
wait:   lda $21
        beq wait
        sei
        sed
        clc
        lda $20
        adc #1
        sta $20
        cld
        cli
loop:   jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        clc
        lda $21
        adc #1
        sta $21
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
