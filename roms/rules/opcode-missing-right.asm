; The same loop with an instruction both parts have.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldx #5
loop:   dex
        bne loop
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
