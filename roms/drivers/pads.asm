; Driver: two eight-button pads.
;
;   pads_start        nothing is held
;   pads_read         look at both pads; call it once a picture. Then
;                       PADS_HELD_1, _2       a 1 for each button that is down (PAD_A ... PAD_RIGHT)
;                       PADS_PRESSED_1, _2    a 1 for each button that went down since the call before
;                       PADS_RELEASED_1, _2   a 1 for each button that came up
;   pads_read_one     the same for the pad X: 0 or 1
;
; The card shifts the buttons in all the time, the byte is as old as one round of its counter, 8 microseconds. A read can
; meet the moment in which the byte changes and mix old and new bits, so a byte counts only when two reads agree; after
; four tries without that the old one stays. A pad that is not plugged in reads as nothing held.

.data page_zero
.space PADS_HELD_1 1
.space PADS_HELD_2 1
.space PADS_PRESSED_1 1
.space PADS_PRESSED_2 1
.space PADS_RELEASED_1 1
.space PADS_RELEASED_2 1
.space PADS_RAW_1 1                     ; the byte as the card gave it
.space PADS_RAW_2 1
.space PADS_TEMP 1
.text

pads_start:
        stz PADS_HELD_1
        stz PADS_HELD_2
        rts

pads_read:
        ldx #0
        jsr pads_read_one
        ldx #1

pads_read_one:
.scope
        ldy #4
_again: lda PADS_PORT_1,x               ; pad 2 answers one address above pad 1
        cmp PADS_PORT_1,x
        beq _agreed
        dey
        bne _again
        lda PADS_RAW_1,x
_agreed:
        sta PADS_RAW_1,x
        eor #$FF                        ; the pad says 0 for a button that is down
        sta PADS_TEMP
        eor PADS_HELD_1,x               ; what changed
        pha
        and PADS_TEMP
        sta PADS_PRESSED_1,x
        pla
        and PADS_HELD_1,x
        sta PADS_RELEASED_1,x
        lda PADS_TEMP
        sta PADS_HELD_1,x
        rts
.scend
