; Keyboard tester: burn this first when the keyboard card is new. It shows every code as it comes, the keys that are held,
; and the text that the codes make. Runs on Marlpit (65C02 at 2 MHz); the keyboard is asked, not interrupting.
;
; What to look for:
;   no AA when the board is switched on        the keyboard does not speak, or the card does not listen
;   codes twice, releases missing              the controller sees too late that a code was taken: latch, or clock too fast
;   one code over and over, with no key held   the ready bit is on another data line than the program thinks
;   a key that stays held                      a code was lost; press and release it again
;   "lost" counts                              the program was too slow, or the card holds the keyboard off

.include "marlpit.inc"

.alias CODES_LINE       4               ; codes are shown from this line ...
.alias CODES_LINES      6               ; ... on so many, then from the first again
.alias HELD_LINE        13
.alias TEXT_LINE        17
.alias TEXT_LINES       4
.alias STATE_LINE       23

.data page_zero
.org $0010
.data tables
.org $0200

.data page_zero
.space CODE_X 1                         ; where the next code is shown
.space CODE_Y 1
.space TEXT_X 1                         ; where the next character is shown
.space TEXT_Y 1
.space HELD_NUMBER 1                    ; key looked at while the held keys are listed
.space HELD_PLACES 1                    ; how many more of them find room

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        jsr screen_start
        jsr key_start
        stz KEY_CODES
        stz KEY_LOSING
        jsr _labels
        stz CODE_X
        lda #CODES_LINE
        sta CODE_Y
        stz TEXT_X
        lda #TEXT_LINE
        sta TEXT_Y
        jsr show_held
        jsr show_state
        jmp main_loop

_labels:
        ldx #1
        ldy #0
        jsr screen_at
        lda #<title
        ldy #>title
        jsr screen_print
        ldx #1
        ldy #CODES_LINE-2
        jsr screen_at
        lda #<codes_label
        ldy #>codes_label
        jsr screen_print
        ldx #1
        ldy #HELD_LINE-2
        jsr screen_at
        lda #<held_label
        ldy #>held_label
        jsr screen_print
        ldx #1
        ldy #TEXT_LINE-2
        jsr screen_at
        lda #<text_label
        ldy #>text_label
        jmp screen_print
.scend

; KEY_CODES says whether a code came, the carry whether it ended a key's message. The state is shown between codes only,
; so that a fast typist is not held up.
main_loop:
.scope
        lda KEY_CODES
        pha
        jsr key_poll
        pla
        bcs _key
        cmp KEY_CODES
        beq _idle
        jsr show_code                   ; a prefix, or something that is no key
        bra main_loop
_key:   jsr show_code
        jsr show_held
        lda KEY_CHARACTER
        beq main_loop
        jsr show_character
        bra main_loop
_idle:  jsr show_state
        bra main_loop
.scend

; Show KEY_CODE as two digits; 13 codes a line.
show_code:
.scope
        ldx CODE_X
        ldy CODE_Y
        jsr screen_at
        lda #$20
        jsr screen_put
        lda KEY_CODE
        jsr screen_hex
        lda CODE_X
        clc
        adc #3
        cmp #39
        bcc _same
        ldy CODE_Y
        iny
        cpy #CODES_LINE+CODES_LINES
        bne _line
        ldy #CODES_LINE
_line:  sty CODE_Y
        ldx #0
        jsr screen_at                   ; clear the line that comes next
        lda #$20
        ldx #40
        jsr screen_repeat
        lda #0
_same:  sta CODE_X
        rts
.scend

; List the numbers of the keys that are held, up to 12; those of extended keys lie above $7F.
show_held:
.scope
        ldx #0
        ldy #HELD_LINE
        jsr screen_at
        lda #12
        sta HELD_PLACES
        stz HELD_NUMBER
_next:  lda HELD_NUMBER
        and #7
        bne _look
        lda HELD_NUMBER                 ; eight keys at once: nearly always none is held
        jsr key_place_of_a
        lda KEYS_HELD,x
        bne _look
        lda HELD_NUMBER
        clc
        adc #8
        bra _step
_look:  lda HELD_NUMBER
        jsr key_is_held
        bcc _up
        lda #$20
        jsr screen_put
        lda HELD_NUMBER
        jsr screen_hex
        dec HELD_PLACES
        beq _end
_up:    lda HELD_NUMBER
        inc
_step:  sta HELD_NUMBER
        cmp #0
        bne _next
_end:   lda HELD_PLACES                 ; spaces where others stood before
        asl
        adc HELD_PLACES
        inc
        tax
        lda #$20
        jmp screen_repeat
.scend

; Show KEY_CHARACTER in the text. Enter begins a new line, Backspace takes one back, others without a shape are a dot.
show_character:
.scope
        lda KEY_CHARACTER
        bmi _end                        ; an arrow and its like
        cmp #13
        beq _new_line
        cmp #8
        beq _back
        cmp #$20
        bcc _dot
        cmp #$7F
        bcc _put
_dot:   lda #'.
_put:   pha
        ldx TEXT_X
        ldy TEXT_Y
        jsr screen_at
        pla
        jsr screen_put
        inc TEXT_X
        lda TEXT_X
        cmp #40
        bne _end
_new_line:
        stz TEXT_X
        ldy TEXT_Y
        iny
        cpy #TEXT_LINE+TEXT_LINES
        bne _line
        ldy #TEXT_LINE
_line:  sty TEXT_Y
        ldx #0
        jsr screen_at
        lda #$20
        ldx #40
        jmp screen_repeat
_back:  lda TEXT_X
        beq _end
        dec TEXT_X
        ldx TEXT_X
        ldy TEXT_Y
        jsr screen_at
        lda #$20
        jmp screen_put
_end:   rts
.scend

; Last line: status register, codes taken, losses, Caps Lock.
show_state:
.scope
        ldx #1
        ldy #STATE_LINE
        jsr screen_at
        lda #<status_label
        ldy #>status_label
        jsr screen_print
        lda KEYBOARD_STATUS
        jsr screen_binary
        lda #<count_label
        ldy #>count_label
        jsr screen_print
        lda KEY_CODES
        jsr screen_hex
        lda #<lost_label
        ldy #>lost_label
        jsr screen_print
        lda KEYS_LOST
        jsr screen_hex
        lda #<caps_label
        ldy #>caps_label
        ldx KEY_CAPS
        bne _caps
        lda #<no_caps_label
        ldy #>no_caps_label
_caps:  jmp screen_print
.scend

interrupt:                              ; none is allowed
        rti

title:          .byte "KEYBOARD TEST", 0
codes_label:    .byte "Codes as they come:", 0
held_label:     .byte "Keys held (from 80: after E0):", 0
text_label:     .byte "Text:", 0
status_label:   .byte "status ", 0
count_label:    .byte " codes ", 0
lost_label:     .byte " lost ", 0
caps_label:     .byte " CAPS", 0
no_caps_label:  .byte "     ", 0

.include "drivers/text-screen.asm"
.include "drivers/keyboard.asm"
.include "drivers/keyboard-polled.asm"
.include "drivers/font.asm"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
