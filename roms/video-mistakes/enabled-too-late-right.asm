; The same with the status read first.
.include "start.inc"
main:   ldx #0                          ; 100 ms of other work: frames end meanwhile
        ldy #160
work:   dex
        bne work
        dey
        bne work
        lda VIDEO_STATUS
        lda #VIDEO_16K + VIDEO_SHOW + VIDEO_INTERRUPT
        ldx #VIDEO_REGISTER + 1
        jsr video_pair
        cli
done:   bra done
interrupt:
        pha
        lda VIDEO_STATUS
        inc TICKS
        pla
        rti

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
