; 128 nested calls fill the stack page to the last byte.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldy #$80
        jsr deep
        lda #1
        sta $0200
stop:   jmp stop
deep:   dey
        beq done
        jsr deep
done:   rts
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
