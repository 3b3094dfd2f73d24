; The program runs into a text that could be instructions.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta BENCH_OUTPUT
        .byte "NOP"
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
