; The same 16 cycles apart, 8 us.
.include "start.inc"
main:   lda #<NAMES
        ldx #>NAMES
        jsr write_from
        ldx #0
fill:   stx VIDEO_DATA
        jsr wait                        ; 12 cycles
        inx
        bne fill
done:   bra done
wait:   rts
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
