; 129 nested calls: the last return address overwrites the first.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        ldy #$81
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
