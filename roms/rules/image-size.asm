; Built for 8 KB at $E000, to be burnt at the bottom of a 32 KB part.
.include "bench.inc"
.org $E000
start:  ldx #$FF
        txs
        cld
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
