; A routine that was jumped to ends in RTS.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #1
        sta $0100
        sta $0101
        jmp sub
stop:   jmp stop
sub:    inx
        rts
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
