; A jump table is read one entry too far.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #4
        lda table,x
        sta $20
        lda table+1,x
        sta $21
        jmp ($0020)
one:    nop
stop:   jmp stop
table:  .word one, one
        .word $4242
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
