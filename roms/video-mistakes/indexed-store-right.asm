; The same with plain stores.
.include "start.inc"
main:   ldx #0
        lda #$06
        sta VIDEO_CONTROL
        lda #VIDEO_REGISTER + 7
        sta VIDEO_CONTROL
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
