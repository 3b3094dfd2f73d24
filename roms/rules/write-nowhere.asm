; The last store of a loop runs past the end of RAM.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        ldx #0
loop:   sta $3FF0,x
        inx
        cpx #17
        bne loop
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
