; The same with Y = $D1, below the picture as well, which ends nothing.
.include "start.inc"
main:   lda #<SPRITES
        ldx #>SPRITES
        jsr write_from
        ldx #0
entry:  lda list,x
        sta VIDEO_DATA
        jsr wait
        inx
        cpx #13
        bne entry
done:   bra done
wait:   rts
list:   .byte 20, 20, 0, 15, $D1, 60, 0, 11, 60, 100, 0, 7, $D0
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
