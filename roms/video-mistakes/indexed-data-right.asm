; The same with plain stores.
.include "start.inc"
main:   lda #<NAMES
        ldx #>NAMES
        jsr write_from
        ldy #32
        ldx #0
next:   tya
        sta VIDEO_DATA
        jsr wait
        iny
        cpy #40
        bne next
done:   bra done
wait:   nop
        rts
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
