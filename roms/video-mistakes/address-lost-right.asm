; The same with the address set up again.
.include "start.inc"
main:   lda #<NAMES
        ldx #>NAMES
        jsr write_from
        lda #$41
        sta VIDEO_DATA
        ldx #20
wait:   dex
        bne wait
        lda #$04
        ldx #VIDEO_REGISTER + 7
        jsr video_pair
        lda #<NAMES + 1
        ldx #>NAMES
        jsr write_from
        lda #$42
        sta VIDEO_DATA
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
