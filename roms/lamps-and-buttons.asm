; Lamps and buttons: the smallest cards there are, a latch with eight lamps and a buffer with eight buttons, each at an
; address of its own beside the bench machine M1; either CPU. While buttons are held the lamps above them are lit; otherwise
; a light runs from right to left, a step in a tenth of a second. PRESSES counts how often a button went down.
;
; Contacts bounce for some milliseconds. The buttons are looked at a hundred times a second, and a look counts only when
; it says the same as the one before.

.alias LAMPS      $7800         ; write: a 1 lights a lamp; cannot be read back
.alias BUTTONS    $7900         ; read: a 0 is a button held

.alias LOOKS      10            ; a step of the light
.alias WAIT_OUTER 8             ; rounds of 1281 cycles between two looks: a hundredth of a second at 1 MHz

.data
.org $0010
.space LIGHT 1                  ; the lamp that is lit
.space LEFT 1                   ; looks left before it steps
.space BEFORE 1                 ; the last look, a 1 is a button held
.space HELD 1                   ; what the last two looks agreed on
.space PRESSES 1                ; times a button went down
.space NEWLY 1

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        lda #0
        sta BEFORE
        sta HELD
        sta PRESSES
        lda #1
        sta LIGHT
        lda #LOOKS
        sta LEFT

_look:  lda BUTTONS
        eor #$FF
        tax
        eor BEFORE
        stx BEFORE
        bne _show               ; the two differ: a contact bounces, or has just moved
        txa
        eor HELD
        stx HELD
        and HELD                ; down now and not before
        beq _show
        sta NEWLY
_count: lsr NEWLY
        bcc _none
        inc PRESSES
_none:  lda NEWLY
        bne _count

_show:  lda HELD
        bne _light
        dec LEFT
        bne _same
        lda #LOOKS
        sta LEFT
        lda LIGHT
        asl
        bne _step
        lda #1
_step:  sta LIGHT
_same:  lda LIGHT
_light: sta LAMPS

        ldx #WAIT_OUTER
_outer: ldy #0
_inner: dey
        bne _inner
        dex
        bne _outer
        jmp _look
.scend

nothing:
        rti

.advance $FFFA,$FF
        .word nothing, reset, nothing
