; A variable was placed in ROM.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        inc count
stop:   jmp stop
count:  .byte 0
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
