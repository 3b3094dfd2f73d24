; The same with time for the fetch before the first byte is taken.
.include "start.inc"
main:   lda #<NAMES
        ldx #>NAMES
        jsr write_from
        lda #$5A
        sta VIDEO_DATA
        ldx #20
wait:   dex
        bne wait
        lda #<SPRITES                   ; something else was read before
        sta VIDEO_CONTROL
        lda #>SPRITES
        sta VIDEO_CONTROL
        ldx #20
wait_2: dex
        bne wait_2
        lda VIDEO_DATA
        ldx #20
wait_3: dex
        bne wait_3
        lda #<NAMES
        sta VIDEO_CONTROL
        lda #>NAMES
        sta VIDEO_CONTROL
        ldx #4
wait_4: dex
        bne wait_4
        lda VIDEO_DATA
        sta COUNT
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
