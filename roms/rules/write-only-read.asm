; A bit is set in an output register that cannot be read.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta BENCH_OUTPUT
        lda #$80
        ora BENCH_OUTPUT
        sta BENCH_OUTPUT
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
