; The routine is called; another is left through pushed addresses.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        jsr sub
        lda #>[after-1]
        pha
        lda #<[after-1]
        pha
        rts
after:  nop
stop:   jmp stop
sub:    inx
        rts
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
