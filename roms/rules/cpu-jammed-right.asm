; It does not.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        nop
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
