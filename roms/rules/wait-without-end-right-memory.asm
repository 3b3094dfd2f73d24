; The main loop is small, but it counts.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $0200
loop:   inc $0200
        bne loop
        jmp loop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
