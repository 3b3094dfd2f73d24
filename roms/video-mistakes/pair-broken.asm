; Mistake: the interrupt reads the status, as it must, between the two bytes of the main program's control pair. The
; second byte then counts as a first one, and the next pair begins with it: $F6, meant as colours, is taken as "register 6".
; Pairs stay out of step until the next status read.
.include "start.inc"
main:   jsr interrupt_on
loop:   lda #$F6
        sta VIDEO_CONTROL
        ldx #200                        ; long enough to be hit often
wait:   dex
        bne wait
        lda #VIDEO_REGISTER + 7
        sta VIDEO_CONTROL
        inc COUNT
        bra loop
interrupt:
        pha
        lda VIDEO_STATUS
        inc TICKS
        pla
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
