; Hello: the first program for a new machine. It sets up the video card in text mode, says hello, and then shows every
; code that the keyboard sends: press a key and you see its code, let it go and you see $F0 and the code again.
;
; Build it with `python build.py` beside this file, after `pip install ophis-asm`. Or with the assembler alone:
;     ophis -o hello.bin -m hello.labels -l hello.lst hello.asm
; then findings name lines of hello.lst, not of this file. Other assemblers: any image, and a list `NAME = $1234`.
; The image goes into slot 2 of machine.toml; labels and listing give names and lines to whatever is found.

; --- Where the cards answer --------------------------------------------------------------------------------------------
; is made from machine.toml; when you have changed a jumper there, make it anew, and then the program:
;     simkit map . --constants hello-wiring.inc --syntax ophis
; KEYBOARD_STATUS   its bit KEYBOARD_READY: a code waits
; KEYBOARD_DATA     the code; reading it tells the card to move on
; VIDEO_DATA        a byte of video memory; the address moves on by itself
; VIDEO_CONTROL     two bytes: low and high address, or a value and a register number + $80
.include "hello-wiring.inc"

.alias VIDEO_REGISTER   %10000000
.alias VIDEO_TO_WRITE   %01000000

; Video memory: 8 bytes a character from $0000, the text (24 lines of 40) from $0800.
.alias VRAM_FONT        $20*8           ; characters $20 to $7F
.alias VRAM_TEXT        2048
.alias CODES_FROM       VRAM_TEXT+12*40+3 ; line 12, column 3: codes are shown from here
.alias CODES_END        VRAM_TEXT+21*40 ; to before line 21

; --- Variables ---------------------------------------------------------------------------------------------------------
.data page_zero
.org $0010
.space SOURCE 2                         ; where text or font is read from
.space PLACE 2                          ; where in video memory the next code is shown
.space COLUMN 1                         ; codes in this line so far

.text
.org $8000

reset:
.scope
        sei                             ; this program looks at the cards itself and needs no interrupt
        cld
        ldx #$FF
        txs

        lda VIDEO_STATUS                ; whatever pair of bytes was begun before the reset is forgotten
        ldx #0
_next:  lda video_registers,x
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_REGISTER
        sta VIDEO_CONTROL
        inx
        cpx #8
        bne _next

        lda #<VRAM_TEXT                 ; 1024 spaces clear the text
        ldx #>VRAM_TEXT
        jsr video_address
        ldx #4
        ldy #0
        lda #$20                        ; a space
_clear: sta VIDEO_DATA
        iny
        bne _clear
        dex
        bne _clear

        lda #<VRAM_FONT
        ldx #>VRAM_FONT
        jsr video_address
        lda #<font
        sta SOURCE
        lda #>font
        sta SOURCE+1
        ldx #>FONT_BYTES                ; three times 256 bytes
        ldy #0
_font:  lda (SOURCE),y
        sta VIDEO_DATA
        iny
        bne _font
        inc SOURCE+1
        dex
        bne _font

        lda #<[VRAM_TEXT+4*40+3]
        ldx #>[VRAM_TEXT+4*40+3]
        jsr video_address
        lda #<greeting
        ldy #>greeting
        jsr print
        lda #<[VRAM_TEXT+7*40+3]
        ldx #>[VRAM_TEXT+7*40+3]
        jsr video_address
        lda #<hint
        ldy #>hint
        jsr print

        lda #%11010000                  ; register 1: 16 KB, picture on, text
        sta VIDEO_CONTROL
        lda #VIDEO_REGISTER + 1
        sta VIDEO_CONTROL
.scend

home:   lda #<CODES_FROM
        sta PLACE
        lda #>CODES_FROM
        sta PLACE+1
        lda #0
        sta COLUMN

wait_for_key:
.scope
        lda KEYBOARD_STATUS             ; this read also tells the card that we are about to take a code
        and #KEYBOARD_READY
        beq wait_for_key
        jsr pause                       ; its controller needs some microseconds to notice
        lda KEYBOARD_DATA
        jsr show_code
        jsr pause                       ; and some more to put up the next code
        inc COLUMN
        lda COLUMN
        cmp #12
        bne wait_for_key

        lda #0                          ; the line is full: the next begins 4 places on, as 12 codes take 36 of 40
        sta COLUMN
        clc
        lda PLACE
        adc #4
        sta PLACE
        bcc _inside
        inc PLACE+1
_inside:
        lda PLACE
        cmp #<CODES_END
        lda PLACE+1
        sbc #>CODES_END
        bcc wait_for_key
        jmp home
.scend

; Show the byte in A as two hexadecimal digits at PLACE, and move PLACE on by 3.
show_code:
.scope
        pha
        lda PLACE
        ldx PLACE+1
        jsr video_address
        pla
        pha
        lsr
        lsr
        lsr
        lsr
        jsr _digit
        pla
        and #$0F
        jsr _digit
        clc
        lda PLACE
        adc #3
        sta PLACE
        bcc _end
        inc PLACE+1
_end:   rts

_digit: cmp #10
        bcc _figure
        adc #6                          ; with the carry 7: from after 9 to A
_figure:
        adc #$30                        ; "0"
        sta VIDEO_DATA                  ; the picture is on: bytes of video memory must lie 8 microseconds apart
        rts
.scend

; Print the text at Y:A (high:low), ended by a zero byte, from the video address that has been set.
print:
.scope
        sta SOURCE
        sty SOURCE+1
        ldy #0
_next:  lda (SOURCE),y
        beq _end
        sta VIDEO_DATA
        iny
        bne _next
_end:   rts
.scend

; Get ready to write video memory from address X:A (high:low).
video_address:
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        rts

; Wait about 60 microseconds at 2 MHz.
pause:
.scope
        ldx #24
_next:  dex
        bne _next
        rts
.scend

interrupt:                              ; none is expected
        rti

video_registers:
        .byte %00000000                 ; 0: no external picture
        .byte %10010000                 ; 1: 16 KB, picture still off, text
        .byte $02                       ; 2: text at 2 KB
        .byte $00                       ; 3: not used in text mode
        .byte $00                       ; 4: font at 0
        .byte $00                       ; 5 and 6: no sprites in text mode
        .byte $00
        .byte $1B                       ; 7: black on light yellow

greeting:
        .byte "HELLO! YOUR MACHINE IS RUNNING.", 0
hint:   .byte "PRESS KEYS TO SEE THEIR CODES:", 0

.include "drivers/font.asm"

.advance $FFFA, $FF
        .word interrupt                 ; NMI
        .word reset                     ; RESET
        .word interrupt                 ; IRQ
