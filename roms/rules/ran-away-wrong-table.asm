; The jump over a table was lost.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #3
next:   lda table,x
        sta BENCH_OUTPUT
        dex
        bpl next
table:  .byte $9C, $00, $02
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
