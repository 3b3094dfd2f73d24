; Mistake: the interrupt does not read the status. INT stays low, the handler is entered again as soon as it returns,
; and the main program stands still.
.include "start.inc"
main:   jsr interrupt_on
loop:   inc COUNT
        bra loop
interrupt:
        inc TICKS
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
