; Tiles of 8 x 8 dots. Every line of a tile has two colours of its own: high digit for the 1 bits, low digit for the
; 0 bits. 1 black, 2 green, 3 light green, 4 dark blue, 5 light blue, 6 dark red, 9 light red, A dark yellow,
; B light yellow, C dark green, D magenta, E grey, F white.
; Tiles $20 to $7F are the font, whose numbers are the ASCII codes; ours begin at $80, and the big letters of the title
; take the last 81.

.alias TILE_FIRST            $80
.alias TILE_GRASS            $80
.alias TILE_TUFT             $81
.alias TILE_FLOWER           $82
.alias TILE_PEBBLES          $83
.alias TILE_HEDGE            $84
.alias TILE_HEDGE_TOP        $86
.alias TILE_SOIL             $88
.alias TILE_BED_TOP_LEFT     $89
.alias TILE_BED_TOP          $8A
.alias TILE_BED_TOP_RIGHT    $8B
.alias TILE_BED_LEFT         $8C
.alias TILE_BED_RIGHT        $8D
.alias TILE_BED_BOTTOM_LEFT  $8E
.alias TILE_BED_BOTTOM       $8F
.alias TILE_BED_BOTTOM_RIGHT $90
.alias TILE_LETTUCE          $91
.alias TILE_EATEN            $95
.alias TILE_STAR_SMALL       $96
.alias TILE_STAR_BIG         $97
.alias TILE_STAR_DIM         $98
.alias TILE_MOON             $99
.alias TILE_DAWN             $A2
.alias TILE_HAT_1            $A5
.alias TILE_HAT_2            $A6
.alias TILE_SMALL_LETTUCE    $A7
.alias TILE_SMALL_SLUG       $A8
.alias TILES                 41

; Copy font and tiles to all three thirds of the picture. The picture is off.
load_tiles:
.scope
        ldx #0                          ; third
_third: stx INDEX
        lda #<font                      ; patterns of the font
        ldy #>font
        jsr _source
        ldy #>VRAM_PATTERNS+$01         ; tile $20 is at $20 * 8 = $0100
        lda #0
        jsr _address
        lda #<FONT_BYTES
        ldy #>FONT_BYTES
        jsr _copy

        ldy #>VRAM_COLOURS+$01          ; colours of the font: one for each third
        lda #0
        jsr _address
        ldx INDEX
        lda font_colours,x
        ldx #>FONT_BYTES
        ldy #0
_colour:
        sta VIDEO_DATA
        iny
        bne _colour
        dex
        bne _colour

        lda #<tile_patterns
        ldy #>tile_patterns
        jsr _source
        ldy #>VRAM_PATTERNS+$04         ; tile $80 is at $80 * 8 = $0400
        lda #0
        jsr _address
        lda #<[TILES*8]
        ldy #>[TILES*8]
        jsr _copy
        lda #<tile_colours
        ldy #>tile_colours
        jsr _source
        ldy #>VRAM_COLOURS+$04
        lda #0
        jsr _address
        lda #<[TILES*8]
        ldy #>[TILES*8]
        jsr _copy
        ldx INDEX
        inx
        cpx #3
        bne _third
        rts

_source:                                ; SOURCE := Y:A
        sta SOURCE
        sty SOURCE+1
        rts
_address:                               ; address Y:A in third INDEX: 2 KB, 8 pages, further for each
        pha
        lda INDEX
        asl
        asl
        asl
        sta TEMP
        tya
        clc
        adc TEMP
        tax
        pla
        jmp video_address
_copy:  sta COUNT
        sty COUNT+1
        jmp copy_to_video
.scend

font_colours:                           ; top, middle and bottom third of the picture
        .byte $F1, $B1, $71

tile_patterns:
        ; grass in the dark
        .byte %00000000
        .byte %00000000
        .byte %00000010
        .byte %00000000
        .byte %00000000
        .byte %00100000
        .byte %00000000
        .byte %00000000
        ; tuft of grass
        .byte %00000000
        .byte %00000100
        .byte %01010100
        .byte %01010101
        .byte %00110110
        .byte %00011100
        .byte %00000000
        .byte %00000000
        ; flower
        .byte %00000000
        .byte %00101000
        .byte %00010000
        .byte %00101000
        .byte %00010000
        .byte %00110100
        .byte %00011000
        .byte %00010000
        ; pebbles of the path
        .byte %00000000
        .byte %01100000
        .byte %01100000
        .byte %00000000
        .byte %00000000
        .byte %00000110
        .byte %00000000
        .byte %00000000
        ; hedge
        .byte %01100110
        .byte %11110111
        .byte %11101111
        .byte %01100110
        .byte %11011001
        .byte %11111011
        .byte %01110110
        .byte %00100010
        ; hedge, other leaves
        .byte %10011000
        .byte %11011101
        .byte %11111101
        .byte %01100110
        .byte %00110110
        .byte %01111011
        .byte %10111101
        .byte %10011000
        ; top of the hedge before the dawn
        .byte %00000000
        .byte %00100000
        .byte %00110010
        .byte %01110110
        .byte %11110111
        .byte %11111111
        .byte %11111111
        .byte %11111111
        ; top of the hedge, other leaves
        .byte %00000000
        .byte %00000010
        .byte %01000110
        .byte %11100111
        .byte %11101111
        .byte %11111111
        .byte %11111111
        .byte %11111111
        ; soil of a bed
        .byte %00000000
        .byte %00100010
        .byte %00000000
        .byte %10001000
        .byte %00000000
        .byte %00010001
        .byte %01000000
        .byte %00000100
        ; planks: top left corner
        .byte %00000000
        .byte %01111111
        .byte %01111111
        .byte %01101111
        .byte %01111111
        .byte %01100000
        .byte %01111000
        .byte %01110000
        ; plank: top
        .byte %00000000
        .byte %11111111
        .byte %11111111
        .byte %11101111
        .byte %11111111
        .byte %00000000
        .byte %00000000
        .byte %00010000
        ; planks: top right corner
        .byte %00000000
        .byte %11111110
        .byte %11111110
        .byte %11110110
        .byte %11111110
        .byte %00000110
        .byte %00011110
        .byte %00001110
        ; plank: left
        .byte %01110000
        .byte %01110000
        .byte %01010000
        .byte %01110000
        .byte %01110000
        .byte %01110000
        .byte %01100000
        .byte %01110000
        ; plank: right
        .byte %00001110
        .byte %00001010
        .byte %00001110
        .byte %00001110
        .byte %00001110
        .byte %00001100
        .byte %00001110
        .byte %00001110
        ; planks: bottom left corner
        .byte %01110000
        .byte %01111000
        .byte %01100000
        .byte %01111111
        .byte %01101111
        .byte %01111111
        .byte %01111111
        .byte %00000000
        ; plank: bottom
        .byte %00000100
        .byte %00000000
        .byte %00000000
        .byte %11111111
        .byte %11111011
        .byte %11111111
        .byte %11111111
        .byte %00000000
        ; planks: bottom right corner
        .byte %00001110
        .byte %00011110
        .byte %00000110
        .byte %11111110
        .byte %11110110
        .byte %11111110
        .byte %11111110
        .byte %00000000
        ; lettuce, tile 1 of 4
        .byte %00000011
        .byte %00011101
        .byte %00110111
        .byte %01111011
        .byte %01101101
        .byte %01110101
        .byte %11110110
        .byte %11101010
        ; lettuce, tile 2 of 4
        .byte %10000000
        .byte %11101100
        .byte %01111100
        .byte %01101110
        .byte %01011110
        .byte %11010110
        .byte %10101111
        .byte %10101011
        ; lettuce, tile 3 of 4
        .byte %11011010
        .byte %11101011
        .byte %11110101
        .byte %01110101
        .byte %01111010
        .byte %00111101
        .byte %00011111
        .byte %00000111
        ; lettuce, tile 4 of 4
        .byte %10101101
        .byte %01010111
        .byte %01010110
        .byte %10101110
        .byte %10111110
        .byte %10111100
        .byte %11111000
        .byte %11000000
        ; a bite is gone: stalk and crumbs on the soil
        .byte %00000000
        .byte %00100010
        .byte %00000000
        .byte %10010100
        .byte %00001000
        .byte %00011001
        .byte %01001000
        .byte %00000100
        ; star
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00010000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        ; big star
        .byte %00000000
        .byte %00010000
        .byte %00010000
        .byte %01111100
        .byte %00010000
        .byte %00010000
        .byte %00000000
        .byte %00000000
        ; dim star
        .byte %00000000
        .byte %00000000
        .byte %00000100
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        ; moon, tile 1 of 9
        .byte %00000000
        .byte %00000000
        .byte %00000001
        .byte %00000011
        .byte %00000111
        .byte %00001111
        .byte %00011111
        .byte %00111110
        ; moon, tile 2 of 9
        .byte %00000000
        .byte %00011000
        .byte %11110000
        .byte %11100000
        .byte %11100000
        .byte %11000000
        .byte %11000000
        .byte %00000000
        ; moon, tile 3 of 9
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        ; moon, tile 4 of 9
        .byte %00111100
        .byte %00111100
        .byte %00111100
        .byte %01111110
        .byte %01111011
        .byte %00110001
        .byte %00111011
        .byte %00111111
        ; moon, tile 5 of 9
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %11100000
        .byte %11100000
        .byte %11110000
        .byte %11111000
        ; moon, tile 6 of 9
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        ; moon, tile 7 of 9
        .byte %00111111
        .byte %00011111
        .byte %00001111
        .byte %00000111
        .byte %00000011
        .byte %00000001
        .byte %00000000
        .byte %00000000
        ; moon, tile 8 of 9
        .byte %00011100
        .byte %00011111
        .byte %00011111
        .byte %11111111
        .byte %11111111
        .byte %11111111
        .byte %00011000
        .byte %00000000
        ; moon, tile 9 of 9
        .byte %00000000
        .byte %10000000
        .byte %11110000
        .byte %11100000
        .byte %11000000
        .byte %10000000
        .byte %00000000
        .byte %00000000
        ; light behind the hedge: a little
        .byte %00000000
        .byte %00010000
        .byte %00000000
        .byte %00000000
        .byte %00000000
        .byte %00000001
        .byte %00000000
        .byte %01000000
        ; more
        .byte %10001000
        .byte %00000000
        .byte %00100010
        .byte %00000000
        .byte %10001000
        .byte %00100010
        .byte %10101010
        .byte %01000100
        ; much
        .byte %10101010
        .byte %01010101
        .byte %10101010
        .byte %11010101
        .byte %01110110
        .byte %11011101
        .byte %11111110
        .byte %11011111
        ; hat of gardener 1
        .byte %00000000
        .byte %00111000
        .byte %00111000
        .byte %01111100
        .byte %00000000
        .byte %00111000
        .byte %01111100
        .byte %01111100
        ; hat of gardener 2
        .byte %00000000
        .byte %00111000
        .byte %00111000
        .byte %01111100
        .byte %00000000
        .byte %00111000
        .byte %01111100
        .byte %01111100
        ; small lettuce
        .byte %00000000
        .byte %00111000
        .byte %01101110
        .byte %01010110
        .byte %11010111
        .byte %01101110
        .byte %00111100
        .byte %00000000
        ; small slug
        .byte %00000000
        .byte %00000101
        .byte %00000101
        .byte %00000110
        .byte %01110111
        .byte %11111111
        .byte %11111110
        .byte %00000000

tile_colours:
        .byte $C1, $C1, $C1, $C1, $C1, $C1, $C1, $C1   ; grass in the dark
        .byte $C1, $C1, $C1, $C1, $C1, $C1, $C1, $C1   ; tuft of grass
        .byte $F1, $F1, $B1, $F1, $C1, $C1, $C1, $C1   ; flower
        .byte $E1, $E1, $A1, $A1, $A1, $A1, $E1, $E1   ; pebbles of the path
        .byte $2C, $2C, $C1, $C1, $2C, $2C, $C1, $C1   ; hedge
        .byte $2C, $2C, $C1, $C1, $2C, $2C, $C1, $C1   ; hedge, other leaves
        .byte $C4, $C4, $C4, $C4, $C4, $C4, $C1, $C1   ; top of the hedge before the dawn
        .byte $C4, $C4, $C4, $C4, $C4, $C4, $C1, $C1   ; top of the hedge, other leaves
        .byte $61, $61, $61, $61, $61, $61, $61, $61   ; soil of a bed
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; planks: top left corner
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $61   ; plank: top
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; planks: top right corner
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; plank: left
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; plank: right
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; planks: bottom left corner
        .byte $61, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; plank: bottom
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; planks: bottom right corner
        .byte $31, $31, $31, $31, $31, $31, $21, $21   ; lettuce, tile 1 of 4
        .byte $31, $31, $31, $31, $31, $31, $21, $21   ; lettuce, tile 2 of 4
        .byte $21, $21, $21, $21, $C1, $C1, $C1, $C1   ; lettuce, tile 3 of 4
        .byte $21, $21, $21, $21, $C1, $C1, $C1, $C1   ; lettuce, tile 4 of 4
        .byte $61, $61, $61, $21, $21, $21, $21, $61   ; a bite is gone: stalk and crumbs on the soil
        .byte $E1, $E1, $E1, $E1, $E1, $E1, $E1, $E1   ; star
        .byte $F1, $F1, $F1, $F1, $F1, $F1, $F1, $F1   ; big star
        .byte $51, $51, $51, $51, $51, $51, $51, $51   ; dim star
        .byte $F1, $F1, $F1, $F1, $B1, $B1, $B1, $B1   ; moon, tile 1 of 9
        .byte $F1, $F1, $F1, $F1, $B1, $B1, $B1, $B1   ; moon, tile 2 of 9
        .byte $F1, $F1, $F1, $F1, $B1, $B1, $B1, $B1   ; moon, tile 3 of 9
        .byte $B1, $B1, $B1, $B1, $B1, $B1, $B1, $B1   ; moon, tile 4 of 9
        .byte $B1, $B1, $B1, $B1, $B1, $B1, $B1, $B1   ; moon, tile 5 of 9
        .byte $B1, $B1, $B1, $B1, $B1, $B1, $B1, $B1   ; moon, tile 6 of 9
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; moon, tile 7 of 9
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; moon, tile 8 of 9
        .byte $A1, $A1, $A1, $A1, $A1, $A1, $A1, $A1   ; moon, tile 9 of 9
        .byte $41, $41, $41, $41, $41, $41, $41, $41   ; light behind the hedge: a little
        .byte $41, $41, $41, $41, $41, $41, $41, $41   ; more
        .byte $41, $41, $41, $41, $41, $41, $41, $41   ; much
        .byte $B1, $B1, $B1, $B1, $B1, $51, $51, $51   ; hat of gardener 1
        .byte $B1, $B1, $B1, $B1, $B1, $91, $91, $91   ; hat of gardener 2
        .byte $31, $31, $31, $31, $21, $21, $21, $21   ; small lettuce
        .byte $D1, $D1, $D1, $D1, $D1, $D1, $D1, $D1   ; small slug
