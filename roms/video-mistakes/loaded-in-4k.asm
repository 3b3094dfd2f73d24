; Mistake: register 1 bit 7 is set only after memory was loaded. The bytes lie elsewhere then: $0040 is found at $0080.
.include "start.inc"
main:   lda #0
        ldx #VIDEO_REGISTER + 1
        jsr video_pair
        lda #$40
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
