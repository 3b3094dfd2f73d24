; Mistake: names are written 9 cycles apart, 4.5 us, while the picture is on: some are lost, the rest moves down.
.include "start.inc"
main:   lda #<NAMES
        ldx #>NAMES
        jsr write_from
        ldx #0
fill:   stx VIDEO_DATA
        inx
        bne fill
done:   bra done
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
