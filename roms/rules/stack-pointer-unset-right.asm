; S is set first.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        jsr sub
stop:   jmp stop
sub:    inx
        rts
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
