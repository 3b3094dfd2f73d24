; BIT absolute hides the load after it, an old trick with documented opcodes.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        .byte $2C
        lda #2
        sta $20
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
