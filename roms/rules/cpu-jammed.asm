; The program runs into $02, which locks an NMOS 6502 up.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        .byte $02
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
