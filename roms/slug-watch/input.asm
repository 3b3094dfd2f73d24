; Pads, keyboard, chance.

; --- Keyboard, called by the interrupt ----------------------------------------------------------------------------
; One code has arrived. A key sends its code when it goes down, $F0 and its code when it goes up; the keys that came
; later in history (arrows among them) send $E0 before all that. We keep one bit a key that the game knows, in the
; order of the pad's buttons, so that the rest of the program need not know where a press came from.
;
; The handler has just read the status, which resets the card's "taken" latch. The card's controller must see that
; before the data read sets the latch again, or it will not move on; while it takes a bit from the keyboard it looks
; away for some 10 microseconds. So: wait, read, wait.
take_key:
.scope
        ldx #8                          ; 8 * 5 cycles: 20 microseconds
_look:  dex
        bne _look
        lda KEYBOARD_DATA
        ldx KEY_SKIP
        bne _skip
        cmp #$F0
        beq _release
        cmp #$E0
        beq _extended
        cmp #$E1
        beq _pause
        cmp #$AA                        ; the keyboard has just been plugged in and tested itself
        beq _forget
        inc                             ; $FF or $00: codes were lost, and releases with them
        beq _forget
        dec
        beq _forget
        ora KEY_EXTENDED                ; our codes are below $80, bit 7 is free to tell the two kinds apart
        ldx #key_bits-key_codes-1
_find:  cmp key_codes,x
        beq _found
        dex
        bpl _find
        bra _end                        ; not one of ours

_found: lda key_bits,x
        ldx KEY_RELEASE
        bne _up
        tsb KEYS_HELD                   ; set these bits
        tsb KEYS_SEEN                   ; a short press between two pictures counts as well
        bra _end
_up:    trb KEYS_HELD                   ; clear these bits
        bra _end

_skip:  dec KEY_SKIP
        bra _wait
_release:
        sta KEY_RELEASE
        bra _wait
_extended:
        lda #$80
        sta KEY_EXTENDED
        bra _wait
_pause: lda #7                          ; eight codes, never a release
        sta KEY_SKIP
        bra _wait
_forget:
        stz KEYS_HELD
_end:   stz KEY_RELEASE
        stz KEY_EXTENDED

; And the controller needs time to see that the code was taken, to show the next one and to let go of the interrupt
; line. Going back earlier would bring us here again for the same code. Codes come at least half a millisecond apart,
; so there is time: 20 * 5 cycles are 50 microseconds.
_wait:  ldx #20
_pass:  dex
        bne _pass
        rts
.scend

key_codes:                              ; scan code set 2; + $80 for those after $E0
        .byte $75+$80, $72+$80, $6B+$80, $74+$80        ; arrows up, down, left, right
        .byte $29, $5A, $5A+$80                         ; space, enter, enter of the keypad
        .byte $76                                       ; escape
key_bits:
        .byte PAD_UP, PAD_DOWN, PAD_LEFT, PAD_RIGHT
        .byte PAD_A, PAD_START, PAD_START
        .byte PAD_SELECT

; --- Once a picture -----------------------------------------------------------------------------------------------
; BUTTONS1 and BUTTONS2: what is held. PRESSED1 and PRESSED2: what went down since the picture before.
; The pad card shifts the buttons in all the time. A read that meets the moment of change can mix old and new, so a
; value counts only when two reads agree; else the old one stays until the next picture.
read_inputs:
.scope
        lda BUTTONS1
        sta TEMP
        lda PADS_PORT_1
        cmp PADS_PORT_1
        bne _keys
        eor #$FF                        ; the pad says 0 for a pressed button
        sta BUTTONS1
_keys:  sei                             ; no key may arrive between the two
        lda KEYS_SEEN
        stz KEYS_SEEN
        cli
        ora KEYS_HELD
        ora BUTTONS1
        sta BUTTONS1
        lda TEMP
        eor #$FF
        and BUTTONS1                    ; was up, is down
        sta PRESSED1

        lda BUTTONS2
        sta TEMP
        lda PADS_PORT_2
        cmp PADS_PORT_2
        bne _second
        eor #$FF
        sta BUTTONS2
_second:
        lda TEMP
        eor #$FF
        and BUTTONS2
        sta PRESSED2
        rts
.scend

; --- Chance -------------------------------------------------------------------------------------------------------
; A := a number from 0 to 255 that nobody can guess. A 16-bit shift register; the bit that falls out turns some of the
; others over ($B400: the taps 16, 14, 13, 11, with which it runs through 65535 values before it repeats). It starts
; from FRAME_COUNT when a game begins, that is from the moment somebody pressed Start. Keeps X and Y.
chance:
.scope
        phx
        ldx #5                          ; five steps, or neighbours would look alike
_step:  lsr RANDOM+1
        ror RANDOM
        bcc _next
        lda RANDOM+1
        eor #$B4
        sta RANDOM+1
_next:  dex
        bne _step
        plx
        lda RANDOM
        rts
.scend

seed_chance:
        lda FRAME_COUNT
        sta RANDOM
        lda FRAME_COUNT+1
        eor #$5A
        ora #$01                        ; all zeros would stay so for ever
        sta RANDOM+1
        rts
