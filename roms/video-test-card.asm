; Video test card: burn this when the video card is new, photograph each page, and compare with the pictures of the
; simulator (`simkit run demo:video-test-card`). Runs on Marlpit (65C02 at 2 MHz).
;
; A page stands for two seconds; START on pad 1 goes on at once. The pages:
;    0  text: all characters, 24 lines of 40; first and last column must be whole
;    1  graphics I: 32 pairs of colours, left half of each tile in the high, right half in the low colour
;    2  graphics II: all 256 pairs of colours in lines, one white dot in the upper left and lower right corner
;    3  multicolor: all 256 pairs of colours in blocks of 4 x 4
;    4  sprites 8 x 8      5  the same, dots doubled      6  sprites 16 x 16      7  the same, dots doubled
;    8  M1 and M2 together: stripes               9  text with M3: three sets of characters, two of them empty
;   10  multicolor with M3                       11  picture off: nothing but the backdrop
;   12  a grid with a line every 8 dots and one round the picture, on another backdrop: all four sides whole, the
;       border 13 dots wide on the left and 15 on the right, the same columns bright from top to bottom
; What to look for on the pages of sprites:
;   upper left and right corner, lower edge, left edge with early clock: each is cut, none comes back on the other side
;   five in a row: the fifth is missing      three that overlap: the white one in front
;   no red one anywhere: it stands behind the end of the list
;
; Frames are counted by asking the status, with interrupts forbidden. A status read that hits the very moment at which
; the frame flag comes up can lose it; here that makes a page last a sixtieth of a second longer, no more.

.include "marlpit.inc"

.alias FRAMES_A_PAGE    120
.alias PAGES            13
.alias VRAM_PATTERNS    $0000
.alias VRAM_NAMES       $1800
.alias VRAM_COLOURS_1   $1C00           ; graphics I
.alias VRAM_SPRITES     $1F00
.alias VRAM_COLOURS_2   $2000           ; graphics II
.alias VRAM_DRAWINGS    $3800
.alias VRAM_FONT             VRAM_PATTERNS+32*8

.data page_zero
.org $0010
.space PAGE 1
.space FRAMES 1
.space FROM 2                           ; where bytes are read
.space COUNT 1

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        lda VIDEO_STATUS                ; whatever pair of bytes was begun before the reset is forgotten
        stz PAGE
_page:  jsr show_page
        lda #FRAMES_A_PAGE
        sta FRAMES
_frame: lda VIDEO_STATUS
        bpl _frame
        lda PADS_PORT_1
        and #PAD_START
        beq _next
        dec FRAMES
        bne _frame
_next:  lda PADS_PORT_1                 ; wait until START is let go
        and #PAD_START
        beq _next
        inc PAGE
        lda PAGE
        cmp #PAGES
        bne _page
        stz PAGE
        bra _page
.scend

; Picture off, memory cleared, page filled, registers set, picture on.
show_page:
.scope
        lda #VIDEO_16K                  ; picture off: two microseconds between bytes will do
        ldx #VIDEO_REGISTER + 1
        jsr video_pair
        jsr clear
        jsr load_font
        lda PAGE
        asl
        tax
        jsr _fill
        ldx #0
        lda PAGE                        ; registers stand in groups of 4: 0, 1, 3, 4 and 7 differ from page to page
        asl
        asl
        clc
        adc PAGE
        tay
_next:  phx
        lda page_registers,y
        pha
        lda register_numbers,x
        tax
        pla
        jsr video_pair
        iny
        plx
        inx
        cpx #5
        bne _next
        lda #VRAM_NAMES / 1024
        ldx #VIDEO_REGISTER + 2
        jsr video_pair
        lda #VRAM_SPRITES / 128
        ldx #VIDEO_REGISTER + 5
        jsr video_pair
        lda #VRAM_DRAWINGS / 2048
        ldx #VIDEO_REGISTER + 6
        jsr video_pair
        lda VIDEO_STATUS                ; flags of the page before
        rts
_fill:  jmp (page_fills,x)
.scend

register_numbers:                       ; register 1 last: it switches the picture on
        .byte VIDEO_REGISTER, VIDEO_REGISTER + 3, VIDEO_REGISTER + 4, VIDEO_REGISTER + 7, VIDEO_REGISTER + 1

page_registers: ; 0    3    4    7    1
        .byte $00, $70, $00, $1B, $D0   ; text, black on light yellow
        .byte $00, $70, $00, $01, $C0   ; graphics I
        .byte $02, $FF, $03, $01, $C0   ; graphics II
        .byte $00, $70, $00, $01, $C8   ; multicolor
        .byte $00, $70, $00, $01, $C0   ; sprites 8 x 8, on black
        .byte $00, $70, $00, $01, $C1
        .byte $00, $70, $00, $01, $C2
        .byte $00, $70, $00, $01, $C3
        .byte $00, $70, $00, $1B, $D8   ; M1 and M2
        .byte $02, $70, $03, $1B, $D0   ; text with M3
        .byte $02, $70, $03, $01, $C8   ; multicolor with M3
        .byte $00, $70, $00, $05, $80   ; off
        .byte $00, $70, $00, $07, $C0   ; grid

page_fills:
        .word fill_text, fill_graphics_1, fill_graphics_2, fill_multicolor
        .word fill_sprites, fill_sprites, fill_sprites, fill_sprites
        .word fill_nothing, fill_text, fill_multicolor, fill_nothing
        .word fill_grid

fill_nothing:
        rts

; All characters, over and over: 960 names.
fill_text:
.scope
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr write_from
        ldx #32
        ldy #0                          ; 240 names four times
        lda #4
        sta COUNT
_next:  stx VIDEO_DATA
        inx
        cpx #$80
        bne _same
        ldx #32
_same:  iny
        cpy #240
        bne _next
        ldy #0
        dec COUNT
        bne _next
        rts
.scend

; Tile 8 * n in column n, with the pair of colours n.
fill_graphics_1:
.scope
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr write_from
        ldy #24
_row:   lda #0
_name:  sta VIDEO_DATA
        clc
        adc #8
        bne _name
        dey
        bne _row
        lda #<VRAM_COLOURS_1
        ldx #>VRAM_COLOURS_1
        jsr write_from
        ldy #32
        lda #$0F
_pair:  sta VIDEO_DATA
        clc
        adc #$0F                        ; $0F, $1E, $2D ...: every colour on either side
        dey
        bne _pair
        lda #$F0
        jmp fill_patterns
.scend

; Patterns $F0 in all thirds, names in order, colours $00, $01 ... $FF; the corner dots white.
fill_graphics_2:
.scope
        lda #$F0
        jsr fill_patterns
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr write_from
        ldy #3
        jsr rising
        lda #<VRAM_COLOURS_2
        ldx #>VRAM_COLOURS_2
        jsr write_from
        ldy #24
        jsr rising
        lda #<VRAM_COLOURS_2            ; colours of the corner rows: white on black
        ldx #>VRAM_COLOURS_2
        jsr write_from
        lda #$F1
        sta VIDEO_DATA
        lda #$FF
        ldx #>[VRAM_COLOURS_2+$1700]
        jsr write_from
        lda #$F1
        sta VIDEO_DATA
        lda #0
        ldx #0
        jsr write_from
        lda #$80
        sta VIDEO_DATA
        lda #$FF
        ldx #$17
        jsr write_from
        lda #$01
        sta VIDEO_DATA
        rts
.scend

; Names as a map of 64 x 48 blocks: each row of names four times; patterns $00, $01 ... $FF.
fill_multicolor:
.scope
        lda #0
        tax
        jsr write_from
        ldy #24
        jsr rising
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr write_from
        ldx #0                          ; row
_row:   txa
        lsr
        lsr
        asl
        asl
        asl
        asl
        asl
        ldy #32
_name:  sta VIDEO_DATA
        inc
        dey
        bne _name
        inx
        cpx #24
        bne _row
        rts
.scend

; The sprite list, the drawing, and a line of text that says the page.
fill_sprites:
.scope
        lda #<VRAM_SPRITES
        ldx #>VRAM_SPRITES
        jsr write_from
        ldx #0
_entry: lda sprite_list,x
        sta VIDEO_DATA
        inx
        cpx #sprite_list_end - sprite_list
        bne _entry
        lda #<VRAM_DRAWINGS
        ldx #>VRAM_DRAWINGS
        jsr write_from
        ldx #0
_dots:  lda drawing,x
        sta VIDEO_DATA
        inx
        cpx #32
        bne _dots
        lda #<VRAM_COLOURS_1
        ldx #>VRAM_COLOURS_1
        jsr write_from
        ldx #32
        lda #$B0                        ; letters light yellow, the rest as the backdrop
_ink:   sta VIDEO_DATA
        dex
        bne _ink
        lda #<[VRAM_NAMES+22*32+9]
        ldx #>[VRAM_NAMES+22*32+9]
        jsr write_from
        lda PAGE                        ; 4 to 7
        and #3
        asl
        asl
        asl
        asl
        tax
        ldy #16
_text:  lda sprite_texts,x
        sta VIDEO_DATA
        inx
        dey
        bne _text
        rts
.scend

sprite_texts:
        .byte "8 X 8           "
        .byte "8 X 8 DOUBLED   "
        .byte "16 X 16         "
        .byte "16 X 16 DOUBLED "

; Y (one less than the line), X, name, colour (+ $80: early clock, 32 dots further left)
sprite_list:
        .byte $FF, 0, 0, 15             ; upper left corner, flush
        .byte $FF, 252, 0, 11           ; upper right corner, cut
        .byte $F9, 128, 0, 3            ; comes in from above
        .byte 100, 28, 0, $89           ; left edge, cut
        .byte 188, 60, 0, 13            ; lower edge, cut
        .byte 188, 255, 0, 7            ; lower right: one column
        .byte 40, 30, 0, 2              ; five in a row
        .byte 40, 70, 0, 5
        .byte 40, 110, 0, 10
        .byte 40, 150, 0, 12
        .byte 40, 190, 0, 8             ; must be missing
        .byte 120, 120, 0, 15           ; three that overlap, and one between them without colour
        .byte 122, 124, 0, 0
        .byte 124, 128, 0, 11
        .byte 128, 132, 0, 14
        .byte $D0, 0, 0, 0              ; end of the list
        .byte 80, 200, 0, 6             ; must not be seen
sprite_list_end:

; A ring with a filled lower right quarter, 16 x 16: upper left, lower left, upper right, lower right.
drawing:
        .byte $07, $18, $20, $47, $48, $90, $A0, $A0
        .byte $A0, $A0, $90, $48, $47, $20, $18, $07
        .byte $E0, $18, $04, $E2, $12, $09, $05, $05
        .byte $FD, $FD, $F9, $F2, $E2, $04, $18, $E0

; Tiles with a line above and on the left; those of the last column and row have one on the other side too.
fill_grid:
.scope
        lda #0
        tax
        jsr write_from
        ldx #0
_dots:  lda grid_tiles,x
        sta VIDEO_DATA
        inx
        cpx #32
        bne _dots
        lda #<VRAM_COLOURS_1
        ldx #>VRAM_COLOURS_1
        jsr write_from
        lda #$F1
        sta VIDEO_DATA
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr write_from
        ldy #24
_row:   ldx #31
        lda #0
        cpy #1
        bne _name
        lda #2
_name:  sta VIDEO_DATA
        dex
        bne _name
        inc
        sta VIDEO_DATA
        dey
        bne _row
        rts
.scend

grid_tiles:
        .byte $FF, $80, $80, $80, $80, $80, $80, $80
        .byte $FF, $81, $81, $81, $81, $81, $81, $81
        .byte $FF, $80, $80, $80, $80, $80, $80, $FF
        .byte $FF, $81, $81, $81, $81, $81, $81, $FF

; Every pattern byte A, 6 KB.
fill_patterns:
.scope
        pha
        lda #0
        tax
        jsr write_from
        pla
        ldx #24
        ldy #0
_next:  sta VIDEO_DATA
        iny
        bne _next
        dex
        bne _next
        rts
.scend

; $00, $01 ... $FF, Y times, from the address set.
rising:
.scope
        lda #0
_next:  sta VIDEO_DATA
        inc
        bne _next
        dey
        bne _next
        rts
.scend

clear:
.scope
        lda #0
        tax
        jsr write_from
        ldx #64
        ldy #0
_next:  stz VIDEO_DATA
        iny
        bne _next
        dex
        bne _next
        rts
.scend

load_font:
.scope
        lda #<VRAM_FONT
        ldx #>VRAM_FONT
        jsr write_from
        lda #<font
        sta FROM
        lda #>font
        sta FROM+1
        ldx #>FONT_BYTES                ; three times 256 bytes
        ldy #0
_next:  lda (FROM),y
        sta VIDEO_DATA
        iny
        bne _next
        inc FROM+1
        dex
        bne _next
        rts
.scend

; Get ready to write video memory from address X:A (high:low).
write_from:
        pha
        txa
        ora #VIDEO_TO_WRITE
        tax
        pla
; Control pair: A, then X.
video_pair:
        sta VIDEO_CONTROL
        nop                             ; two microseconds from byte to byte
        stx VIDEO_CONTROL
        rts

interrupt:                              ; none is allowed
        rti

.include "drivers/font.asm"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
