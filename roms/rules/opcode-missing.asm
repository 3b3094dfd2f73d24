; DEC A, assembled for the 65C02: an NMOS 6502 does nothing there and the loop never ends.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #5
loop:   dec
        bne loop
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
