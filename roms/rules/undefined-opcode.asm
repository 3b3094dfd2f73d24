; The program falls into a byte that the CPU does not know ($02 jams an NMOS 6502).
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta $20
        .byte $04, $20
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
