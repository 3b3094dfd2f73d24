; The output register has a copy in RAM.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta $20
        sta BENCH_OUTPUT
        lda #$80
        ora $20
        sta $20
        sta BENCH_OUTPUT
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
