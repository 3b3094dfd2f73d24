; Driver: the keyboard card served by interrupts. Needs keyboard.asm.
;
;   key_interrupt     call it first in the interrupt handler. Carry set: the keyboard called and has been served. Uses A
;                     and X, which the handler must have saved.
;   key_next          the next key that moved, for the main program. Carry set: see key_take_code in keyboard.asm.
;
; The handler only puts codes aside in a buffer of 64; the main program may then be busy for as long as 64 codes take to
; come, 60 milliseconds at the keyboard's full speed. When that buffer was full, or the card's own, a mark goes into the
; stream where codes are missing, and key_next counts it in KEYS_LOST. The keyboard itself says $00 when its own 16 places
; were full.
;
; About the waiting loops see keyboard-polled.asm. Here they have one more reason: the card lets go of the interrupt line
; only when it has seen that its last code was taken; going back sooner would bring us here again.

.alias KEY_LOOK_LOOPS   8               ; of 5 cycles: 20 microseconds at 2 MHz
.alias KEY_NEXT_LOOPS   10              ; 25 microseconds
.alias KEY_BUFFER_MASK  63

.data page_zero
.space KEY_PUT 1                        ; where the next code goes; the interrupt's
.space KEY_GET 1                        ; where the next code is taken; the main program's
.space KEY_LOSING 1                     ; not 0: the overflow bit was up when we last looked
.data tables
.space KEY_BUFFER 64
.text

key_interrupt:
.scope
        lda KEYBOARD_STATUS
        tax
        and #KEYBOARD_OVERFLOW
        tsb KEY_LOSING                  ; noted now: the bit may be gone when this code has been taken
        txa
        and #KEYBOARD_READY
        beq _none
        ldx #KEY_LOOK_LOOPS
_look:  dex
        bne _look
        lda KEYBOARD_DATA
        jsr key_put_aside
        ldx #KEY_NEXT_LOOPS
_next:  dex
        bne _next

        lda KEYBOARD_STATUS             ; the overflow bit stays up until the card is empty: then the lost codes are due
        and #KEYBOARD_OVERFLOW
        tax
        bne _losing
        lda KEY_LOSING
        beq _losing
        lda #$FF                        ; the mark, as the keyboard itself uses it in other code sets
        jsr key_put_aside
        ldx #0
_losing:
        stx KEY_LOSING
        sec
        rts
_none:  clc
        rts
.scend

; Put the code A into the buffer. The last free place takes the mark instead, and what comes after it is dropped.
key_put_aside:
.scope
        pha
        lda KEY_GET
        sec
        sbc KEY_PUT
        dec
        and #KEY_BUFFER_MASK            ; free places but one
        beq _full
        cmp #1
        beq _last
        pla
        bra _store
_last:  pla
        lda #$FF
_store: ldx KEY_PUT
        sta KEY_BUFFER,x
        inx
        txa
        and #KEY_BUFFER_MASK
        sta KEY_PUT
        rts
_full:  pla
        rts
.scend

key_next:
.scope
        ldx KEY_GET
        cpx KEY_PUT
        beq _none
        lda KEY_BUFFER,x
        inx
        pha
        txa
        and #KEY_BUFFER_MASK
        sta KEY_GET                     ; from here on the place is the interrupt's again
        pla
        jsr key_take_code
        bcc key_next                    ; a prefix: there may be more
        rts
_none:  clc
        rts
.scend
