; The same with the status read.
.include "start.inc"
main:   jsr interrupt_on
loop:   inc COUNT
        bra loop
interrupt:
        pha
        lda VIDEO_STATUS
        inc TICKS
        pla
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
