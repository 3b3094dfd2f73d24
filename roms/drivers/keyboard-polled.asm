; Driver: the keyboard card asked by the program. Needs keyboard.asm.
;
;   key_poll          ask the card once. Carry set: a key moved, see key_take_code in keyboard.asm. KEY_CODE is the code
;                     that came last, KEY_CODES counts them.
;
; Ask often: the card keeps 15 codes, a press and a release are three to five of them, and at the keyboard's full speed
; a code comes every millisecond. When the card had to drop some, its overflow bit stays up until it is empty; that is the
; place in the stream where they are missing, and there KEYS_LOST counts it.
;
; The card and its small computer. Two reads talk to it: a data read sets its latch "taken", a status read resets it. It
; looks at the latch every microsecond or so, but not while it takes a bit from the keyboard (8 microseconds, twelve
; times a millisecond), and needs 3 microseconds to put the next code up. So:
;   between a status read and the data read after it, leave it time to see the reset, or it will not see that the code
;   was taken, and gives it again;
;   between a data read and the next status read, leave it time to see the set and to put up the next code.
; The loops below are for 2 MHz; a faster machine needs longer ones.

.alias KEY_LOOK_LOOPS   8               ; of 5 cycles: 20 microseconds, twice what the longest bit takes
.alias KEY_NEXT_LOOPS   8               ; likewise

.data page_zero
.space KEY_CODE 1
.space KEY_CODES 1
.space KEY_LOSING 1                     ; not 0: the overflow bit was up when we last looked
.text

key_poll:
.scope
        lda KEYBOARD_STATUS
        tax
        and #KEYBOARD_OVERFLOW
        tay
        bne _losing
        lda KEY_LOSING
        beq _losing
        phx
        jsr key_lost
        plx
        ldy #0
_losing:
        sty KEY_LOSING
        txa
        and #KEYBOARD_READY
        beq _none
        ldx #KEY_LOOK_LOOPS
_look:  dex
        bne _look
        lda KEYBOARD_DATA
        sta KEY_CODE
        inc KEY_CODES
        ldx #KEY_NEXT_LOOPS
_next:  dex
        bne _next
        jmp key_take_code
_none:  clc
        rts
.scend
