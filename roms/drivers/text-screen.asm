; Driver: text on the video card, 24 lines of 40 characters.
;
; Include this file once, after a `.data page_zero` segment has been given its `.org`; include font.asm as well.
;
;   screen_start      the card set up, font loaded, screen clear, picture on; interrupts of the card stay off
;   screen_clear      all spaces, cursor to the upper left
;   screen_at         cursor to column X, line Y
;   screen_put        the character A at the cursor, cursor on by one; keeps X and Y
;   screen_print      the text at Y:A (high:low), ended by a zero byte
;   screen_hex        the byte A as two digits; keeps X and Y
;   screen_binary     the byte A as eight digits
;   screen_decimal    the byte A as up to three digits
;   screen_repeat     the character A, X times (X = 0: 256 times)
;
; The card takes an address as two bytes, one after the other, and then gives its bytes out by itself: who comes between
; the two spoils the address. An interrupt handler that touches the card must therefore not run meanwhile; a handler for
; the keyboard alone does no harm.
;
; While a picture is being drawn the card finds time for us only now and then: 8 microseconds must lie between two bytes,
; 16 cycles at 2 MHz. The shortest way from one store to the next is screen_repeat's: 4 + 12 for jsr and rts, and more.
; A machine with a faster clock needs longer ways, or wait states.

.alias SCREEN_COLUMNS   40
.alias SCREEN_LINES     24
.alias VRAM_FONT        32*8            ; 8 bytes a character from 0; ours begin with the 32nd
.alias VRAM_TEXT        2*1024

.data page_zero
.space SCREEN_FROM 2                    ; where text or font is read
.space SCREEN_TEMP 1
.text

screen_registers:
        .byte %00000000                 ; 0: no external picture
        .byte VIDEO_16K + %00010000     ; 1: text, picture still off
        .byte $02                       ; 2: text at 2 KB
        .byte $00                       ; 3: not used in text mode
        .byte $00                       ; 4: font at 0
        .byte $00                       ; 5 and 6: no sprites in text mode
        .byte $00
        .byte $1B                       ; 7: black on light yellow
.alias SCREEN_ON        VIDEO_16K + VIDEO_SHOW + %00010000

screen_start:
.scope
        lda VIDEO_STATUS                ; whatever pair of bytes was begun before the reset is forgotten
        ldx #0
_next:  lda screen_registers,x
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_REGISTER
        sta VIDEO_CONTROL
        inx
        cpx #8
        bne _next

        lda #<VRAM_FONT
        ldx #>VRAM_FONT
        jsr screen_address
        lda #<font
        sta SCREEN_FROM
        lda #>font
        sta SCREEN_FROM+1
        ldx #>FONT_BYTES                ; three times 256 bytes
        ldy #0
_font:  lda (SCREEN_FROM),y
        sta VIDEO_DATA                  ; the picture is off: 2 microseconds would do
        iny
        bne _font
        inc SCREEN_FROM+1
        dex
        bne _font

        jsr screen_clear
        lda #SCREEN_ON
        sta VIDEO_CONTROL
        lda #VIDEO_REGISTER + 1
        sta VIDEO_CONTROL
        rts
.scend

screen_clear:
.scope
        lda #<VRAM_TEXT
        ldx #>VRAM_TEXT
        jsr screen_address
        lda #$20                        ; a space
        ldy #4                          ; 1024 bytes; the last 64 of them are not seen
        ldx #0
_page:  jsr screen_repeat
        dey
        bne _page
        ldx #0
        ldy #0
.scend                                  ; and on into screen_at

screen_at:
        clc
        txa
        adc screen_lines_low,y
        sta VIDEO_CONTROL
        lda screen_lines_high,y
        adc #VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        rts

; Get ready to write video memory from address X:A (high:low).
screen_address:
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        rts

screen_repeat:
.scope
_next:  jsr screen_put
        dex
        bne _next
        rts
.scend

screen_put:
        sta VIDEO_DATA
        rts

screen_print:
.scope
        sta SCREEN_FROM
        sty SCREEN_FROM+1
        ldy #0
_next:  lda (SCREEN_FROM),y
        beq _end
        jsr screen_put
        iny
        bne _next
_end:   rts
.scend

screen_hex:
.scope
        pha
        lsr
        lsr
        lsr
        lsr
        jsr _digit
        pla
        pha
        and #$0F
        jsr _digit
        pla
        rts
_digit: cmp #10
        bcc _figure
        adc #6                          ; with the carry 7: from after 9 to A
_figure:
        adc #'0
        jmp screen_put
.scend

screen_binary:
.scope
        sta SCREEN_TEMP
        ldx #8
_next:  lda #'0
        asl SCREEN_TEMP
        bcc _put
        inc
_put:   jsr screen_put
        dex
        bne _next
        rts
.scend

screen_decimal:
.scope
        ldx #0                          ; no digit shown yet
        ldy #100
        jsr _digit
        ldy #10
        jsr _digit
        ora #'0
        jmp screen_put
_digit: sty SCREEN_TEMP                 ; how often Y goes into A is the digit
        ldy #'0
_more:  cmp SCREEN_TEMP
        bcc _show
        sbc SCREEN_TEMP
        iny
        bra _more
_show:  cpy #'0
        bne _put
        cpx #0
        beq _end                        ; no zeros in front
_put:   ldx #1
        pha
        tya
        jsr screen_put
        pla
_end:   rts
.scend

screen_lines_low:
        .byte <[VRAM_TEXT+0*40], <[VRAM_TEXT+1*40], <[VRAM_TEXT+2*40], <[VRAM_TEXT+3*40]
        .byte <[VRAM_TEXT+4*40], <[VRAM_TEXT+5*40], <[VRAM_TEXT+6*40], <[VRAM_TEXT+7*40]
        .byte <[VRAM_TEXT+8*40], <[VRAM_TEXT+9*40], <[VRAM_TEXT+10*40], <[VRAM_TEXT+11*40]
        .byte <[VRAM_TEXT+12*40], <[VRAM_TEXT+13*40], <[VRAM_TEXT+14*40], <[VRAM_TEXT+15*40]
        .byte <[VRAM_TEXT+16*40], <[VRAM_TEXT+17*40], <[VRAM_TEXT+18*40], <[VRAM_TEXT+19*40]
        .byte <[VRAM_TEXT+20*40], <[VRAM_TEXT+21*40], <[VRAM_TEXT+22*40], <[VRAM_TEXT+23*40]
screen_lines_high:
        .byte >[VRAM_TEXT+0*40], >[VRAM_TEXT+1*40], >[VRAM_TEXT+2*40], >[VRAM_TEXT+3*40]
        .byte >[VRAM_TEXT+4*40], >[VRAM_TEXT+5*40], >[VRAM_TEXT+6*40], >[VRAM_TEXT+7*40]
        .byte >[VRAM_TEXT+8*40], >[VRAM_TEXT+9*40], >[VRAM_TEXT+10*40], >[VRAM_TEXT+11*40]
        .byte >[VRAM_TEXT+12*40], >[VRAM_TEXT+13*40], >[VRAM_TEXT+14*40], >[VRAM_TEXT+15*40]
        .byte >[VRAM_TEXT+16*40], >[VRAM_TEXT+17*40], >[VRAM_TEXT+18*40], >[VRAM_TEXT+19*40]
        .byte >[VRAM_TEXT+20*40], >[VRAM_TEXT+21*40], >[VRAM_TEXT+22*40], >[VRAM_TEXT+23*40]
