; The same with interrupts forbidden while a pair is under way.
.include "start.inc"
main:   jsr interrupt_on
loop:   sei
        lda #$F6
        sta VIDEO_CONTROL
        ldx #200
wait:   dex
        bne wait
        lda #VIDEO_REGISTER + 7
        sta VIDEO_CONTROL
        cli
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
