; Driver: from the scan codes of set 2 to keys and characters. It does not touch the keyboard card: two drivers feed it,
; keyboard-polled.asm (the program asks) and keyboard-interrupt.asm (the card interrupts). Include one of them as well.
;
; Include this file once, after the `.data page_zero` and `.data tables` segments have been given their `.org`.
;
;   key_start         nothing is held, no prefix, Caps Lock off
;   key_take_code     take the code A. Carry set: it completed something, and
;                       KEY_NUMBER   says which key: its code, + $80 for the extended keys (arrows: KEY_UP_ARROW ...)
;                       KEY_IS_UP    is 0 for a press, $80 for a release
;                       KEY_CHARACTER is the character of a press, or 0; Enter is 13, Backspace 8, Escape 27; an extended
;                                    key without a character gives its KEY_NUMBER, which lies above $7F
;   key_is_held       whether the key with number A is down: carry set when it is
;
; What a keyboard sends: the key's code when it goes down and again and again while it is held; $F0 and the code when it
; comes up. Keys that were added later in history send $E0 before all that. Pause sends eight bytes beginning with $E1
; when it goes down and nothing when it comes up. Print Screen, and the arrows in some states of Num Lock, press and
; release a Shift that is none: $E0 $12 and $E0 $59, which count as nothing. $00 and $FF say that the keyboard lost
; codes, maybe releases among them: everything is let go. $AA to $FE are answers to commands, not keys.

.alias KEY_UP_ARROW     $75+$80
.alias KEY_DOWN_ARROW   $72+$80
.alias KEY_LEFT_ARROW   $6B+$80
.alias KEY_RIGHT_ARROW  $74+$80
.alias KEY_PAUSE        $01+$80         ; a number of our own: no extended key has the code $01

.alias CODE_LEFT_SHIFT  $12
.alias CODE_RIGHT_SHIFT $59
.alias CODE_CTRL        $14
.alias CODE_CAPS        $58

.data page_zero
.space KEY_NUMBER 1
.space KEY_IS_UP 1
.space KEY_CHARACTER 1
.space KEY_EXTENDED 1                   ; $80 after $E0
.space KEY_RELEASE 1                    ; $80 after $F0
.space KEY_SKIP 1                       ; bytes of Pause still to come
.space KEY_SHIFTS 1                     ; bit 0: left Shift held, bit 1: right
.space KEY_CTRL 1                       ; not 0: a Ctrl key is held
.space KEY_CAPS 1                       ; not 0: Caps Lock is on
.space KEYS_LOST 1                      ; counts moments in which codes were lost; stays at 255
.data tables
.space KEYS_HELD 32                     ; one bit a key, by number
.text

key_start:
.scope
        stz KEY_EXTENDED
        stz KEY_RELEASE
        stz KEY_SKIP
        stz KEY_CAPS
        stz KEYS_LOST
.scend                                  ; and on

; Let go of everything.
key_release_all:
.scope
        stz KEY_SHIFTS
        stz KEY_CTRL
        ldx #31
_next:  stz KEYS_HELD,x
        dex
        bpl _next
        rts
.scend

; Remember that codes were lost; what was held may have come up meanwhile.
key_lost:
.scope
        inc KEYS_LOST
        bne _all
        dec KEYS_LOST
_all:   bra key_release_all
.scend

key_take_code:
.scope
        ldx KEY_SKIP
        bne _skip
        cmp #$E0
        beq _extended
        cmp #$F0
        beq _release
        cmp #$E1
        beq _pause
        cmp #$00
        beq _lost
        cmp #$FF
        beq _lost
        cmp #$85                        ; codes end with $84; above are answers of the keyboard
        bcs _nothing
        cmp #$83
        bne _not_f7
        lda #$02                        ; F7 has $83, the only code beyond seven bits besides $84: it gets a free one
_not_f7:
        cmp #$84
        bne _not_request
        lda #$7F                        ; Print Screen with Alt, likewise
_not_request:
        ora KEY_EXTENDED
        sta KEY_NUMBER
        lda KEY_RELEASE
        sta KEY_IS_UP
        stz KEY_EXTENDED
        stz KEY_RELEASE
        lda KEY_NUMBER
        cmp #CODE_LEFT_SHIFT+$80
        beq _no_event
        cmp #CODE_RIGHT_SHIFT+$80
        beq _no_event
        jsr key_note
        jsr key_find_character
        sec
        rts

_skip:  dec KEY_SKIP
        bne _no_event
        lda #KEY_PAUSE                  ; the eighth byte: pressed; that it comes up is not told
        sta KEY_NUMBER
        sta KEY_CHARACTER
        stz KEY_IS_UP
        sec
        rts
_extended:
        lda #$80
        sta KEY_EXTENDED
_no_event:
        clc
        rts
_release:
        lda #$80
        sta KEY_RELEASE
        clc
        rts
_pause: lda #7
        sta KEY_SKIP
        clc
        rts
_lost:  jsr key_lost
_nothing:
        stz KEY_EXTENDED
        stz KEY_RELEASE
        clc
        rts
.scend

; Note in KEYS_HELD that KEY_NUMBER went down or came up, and whether that was Shift, Ctrl or Caps Lock.
key_note:
.scope
        jsr key_place
        bit KEY_IS_UP
        bmi _up
        ora KEYS_HELD,x
        bra _store
_up:    eor #$FF
        and KEYS_HELD,x
_store: sta KEYS_HELD,x

        lda KEY_NUMBER
        and #$7F
        cmp #CODE_CTRL                  ; left and, extended, right
        beq _ctrl
        lda KEY_NUMBER
        ldx #1
        cmp #CODE_LEFT_SHIFT
        beq _shift
        inx
        cmp #CODE_RIGHT_SHIFT
        beq _shift
        cmp #CODE_CAPS
        bne _end
        bit KEY_IS_UP
        bmi _end
        lda KEY_CAPS                    ; a repeat of the held key turns it again: Caps Lock is not for holding
        eor #1
        sta KEY_CAPS
_end:   rts
_shift: txa
        bit KEY_IS_UP
        bmi _shift_up
        tsb KEY_SHIFTS
        rts
_shift_up:
        trb KEY_SHIFTS
        rts
_ctrl:  lda KEY_IS_UP
        eor #$80
        sta KEY_CTRL
        rts
.scend

; Byte (X) and bit (A) of KEYS_HELD for the key KEY_NUMBER.
key_place:
        lda KEY_NUMBER
key_place_of_a:
        pha
        lsr
        lsr
        lsr
        tax
        pla
        and #7
        tay
        lda key_bits,y
        rts

key_is_held:
.scope
        jsr key_place_of_a
        and KEYS_HELD,x
        cmp #1                          ; carry set unless it is zero
        rts
.scend

; KEY_CHARACTER for a press of KEY_NUMBER; 0 for a release.
key_find_character:
.scope
        stz KEY_CHARACTER
        bit KEY_IS_UP
        bmi _end
        lda KEY_NUMBER
        bmi _extended
        tax
        lda key_plain,x
        ldy KEY_SHIFTS
        beq _case
        lda key_shifted,x
_case:  ldy KEY_CAPS
        beq _control
        jsr key_is_letter
        bcc _control
        eor #%00100000                  ; small and capital letters differ in this bit
_control:
        ldy KEY_CTRL
        beq _store
        jsr key_is_letter
        bcc _store
        and #%00011111
_store: sta KEY_CHARACTER
_end:   rts
_extended:
        cmp #$4A+$80                    ; the keypad's / and Enter are the two with a character
        beq _slash
        cmp #$5A+$80
        bne _store
        lda #13
        bra _store
_slash: lda #$2F                        ; "/"
        bra _store
.scend

; Whether A is a letter: carry set when it is. Keeps A, X, Y.
key_is_letter:
.scope
        pha
        ora #%00100000
        cmp #'a
        bcc _end
        cmp #'z + 1
        bcs _no
        pla
        sec
        rts
_no:    clc
_end:   pla
        rts
.scend

key_bits:
        .byte 1, 2, 4, 8, 16, 32, 64, 128

; Characters by scan code, US keyboard; 0: none. The keypad gives its figures.
key_plain:
        .byte $00, $00, $00, $00, $00, $00, $00, $00     ; $00: - - - - - - - -
        .byte $00, $00, $00, $00, $00, $09, $60, $00     ; $08: - - - - - Tab ` -
        .byte $00, $00, $00, $00, $00, $71, $31, $00     ; $10: - - - - - q 1 -
        .byte $00, $00, $7A, $73, $61, $77, $32, $00     ; $18: - - z s a w 2 -
        .byte $00, $63, $78, $64, $65, $34, $33, $00     ; $20: - c x d e 4 3 -
        .byte $00, $20, $76, $66, $74, $72, $35, $00     ; $28: - Space v f t r 5 -
        .byte $00, $6E, $62, $68, $67, $79, $36, $00     ; $30: - n b h g y 6 -
        .byte $00, $00, $6D, $6A, $75, $37, $38, $00     ; $38: - - m j u 7 8 -
        .byte $00, $2C, $6B, $69, $6F, $30, $39, $00     ; $40: - , k i o 0 9 -
        .byte $00, $2E, $2F, $6C, $3B, $70, $2D, $00     ; $48: - . / l semicolon p - -
        .byte $00, $00, $27, $00, $5B, $3D, $00, $00     ; $50: - - ' - [ = - -
        .byte $00, $00, $0D, $5D, $00, $5C, $00, $00     ; $58: - - Enter ] - \ - -
        .byte $00, $00, $00, $00, $00, $00, $08, $00     ; $60: - - - - - - Back -
        .byte $00, $31, $00, $34, $37, $00, $00, $00     ; $68: - 1 - 4 7 - - -
        .byte $30, $2E, $32, $35, $36, $38, $1B, $00     ; $70: 0 . 2 5 6 8 Esc -
        .byte $00, $2B, $33, $2D, $2A, $39, $00, $00     ; $78: - + 3 - * 9 - -

; The same with Shift held.
key_shifted:
        .byte $00, $00, $00, $00, $00, $00, $00, $00     ; $00: - - - - - - - -
        .byte $00, $00, $00, $00, $00, $09, $7E, $00     ; $08: - - - - - Tab ~ -
        .byte $00, $00, $00, $00, $00, $51, $21, $00     ; $10: - - - - - Q ! -
        .byte $00, $00, $5A, $53, $41, $57, $40, $00     ; $18: - - Z S A W @ -
        .byte $00, $43, $58, $44, $45, $24, $23, $00     ; $20: - C X D E $ # -
        .byte $00, $20, $56, $46, $54, $52, $25, $00     ; $28: - Space V F T R % -
        .byte $00, $4E, $42, $48, $47, $59, $5E, $00     ; $30: - N B H G Y ^ -
        .byte $00, $00, $4D, $4A, $55, $26, $2A, $00     ; $38: - - M J U & * -
        .byte $00, $3C, $4B, $49, $4F, $29, $28, $00     ; $40: - < K I O ) ( -
        .byte $00, $3E, $3F, $4C, $3A, $50, $5F, $00     ; $48: - > ? L : P _ -
        .byte $00, $00, $22, $00, $7B, $2B, $00, $00     ; $50: - - " - { + - -
        .byte $00, $00, $0D, $7D, $00, $7C, $00, $00     ; $58: - - Enter } - | - -
        .byte $00, $00, $00, $00, $00, $00, $08, $00     ; $60: - - - - - - Back -
        .byte $00, $31, $00, $34, $37, $00, $00, $00     ; $68: - 1 - 4 7 - - -
        .byte $30, $2E, $32, $35, $36, $38, $1B, $00     ; $70: 0 . 2 5 6 8 Esc -
        .byte $00, $2B, $33, $2D, $2A, $39, $00, $00     ; $78: - + 3 - * 9 - -
