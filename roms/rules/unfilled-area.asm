; Unused bytes hold zeros.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $00
.word other, start, handler
