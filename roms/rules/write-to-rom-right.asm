; The variable is in RAM.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
        inc $20
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
