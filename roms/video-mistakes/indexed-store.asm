; Mistake: the card is written with an indexed store. Its dummy read of the same address clears the first-byte state
; before each byte, so a pair never comes about and register 7 stays as it was.
.include "start.inc"
main:   ldx #0
        lda #$06
        sta VIDEO_CONTROL,x
        lda #VIDEO_REGISTER + 7
        sta VIDEO_CONTROL,x
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
