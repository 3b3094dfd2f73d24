; The same with register 1 bit 7 set from the start.
.include "start.inc"
main:   lda #$40
        ldx #0
        jsr write_from
        lda #$5A
        sta VIDEO_DATA
        ldx #20
wait:   dex
        bne wait
        lda #VIDEO_16K + VIDEO_SHOW
        ldx #VIDEO_REGISTER + 1
        jsr video_pair
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
