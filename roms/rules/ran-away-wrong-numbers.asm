; The program runs into numbers.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta BENCH_OUTPUT
        .byte 10, 22, 33, 44, 55, 66, 77, 88, 99, 110, 121, 132
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
