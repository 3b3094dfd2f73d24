; Mistake: frames are counted by polling the frame flag. A read in the moment in which the flag is set can lose it.
.include "start.inc"
main:   lda VIDEO_STATUS
        bpl main
        inc TICKS
        bra main
interrupt:
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
