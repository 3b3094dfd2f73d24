; Frames counted by the interrupt.
.include "start.inc"
main:   jsr interrupt_on
loop:   bra loop
interrupt:
        pha
        lda VIDEO_STATUS
        bpl other
        inc TICKS
        pla
        rti
other:  lda KEYBOARD_STATUS             ; the keyboard tells that it is there
        lda KEYBOARD_DATA
        pla
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
