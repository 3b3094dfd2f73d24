; Drawings of the sprites, 16 x 16 dots each, as they are seen: a row is two bytes, a 1 is a dot.
; The chip wants them otherwise: the 16 bytes of the left half from top to bottom, then those of the right half. And it
; cannot turn a sprite round, so whatever goes left needs a drawing of its own. load_sprites does both.

; Numbers of the drawings in the chip, in the order of sprite_list.
.alias DRAWING_SIDE        0
.alias DRAWING_SIDE_HAT    2
.alias DRAWING_LEFT        3
.alias DRAWING_LEFT_HAT    5
.alias DRAWING_FRONT       6
.alias DRAWING_FRONT_HAT   8
.alias DRAWING_BACK        9
.alias DRAWING_BACK_HAT    11
.alias DRAWING_SLUG        12
.alias DRAWING_HEDGEHOG    16
.alias DRAWING_STAR        20
.alias DRAWINGS            21

sprite_list:                            ; drawing, and 1 = turned round
        .word sketch_side, 0
        .word sketch_side_step, 0
        .word sketch_side_hat, 0
        .word sketch_side, 1
        .word sketch_side_step, 1
        .word sketch_side_hat, 1
        .word sketch_front, 0
        .word sketch_front, 1
        .word sketch_front_hat, 0
        .word sketch_back, 0
        .word sketch_back, 1
        .word sketch_back_hat, 0
        .word sketch_slug, 0
        .word sketch_slug_hump, 0
        .word sketch_slug, 1
        .word sketch_slug_hump, 1
        .word sketch_hedgehog, 0
        .word sketch_hedgehog_step, 0
        .word sketch_hedgehog, 1
        .word sketch_hedgehog_step, 1
        .word sketch_star, 0

; Copy all drawings to the card. The picture is off.
load_sprites:
.scope
        lda #<VRAM_DRAWINGS
        ldx #>VRAM_DRAWINGS
        jsr video_address
        stz INDEX
_next:  lda INDEX
        asl
        asl                             ; four bytes an entry
        tax
        lda sprite_list,x
        sta SOURCE
        lda sprite_list+1,x
        sta SOURCE+1
        lda sprite_list+2,x
        bne _turned
        ldy #0                          ; left half: bytes 0, 2, 4 ... 30; right half: 1, 3, 5 ... 31
        jsr _half
        ldy #1
        jsr _half
        bra _done
_turned:
        ldy #1                          ; the right half comes first, each byte turned round
        jsr _half_turned
        ldy #0
        jsr _half_turned
_done:  inc INDEX
        lda INDEX
        cmp #DRAWINGS
        bne _next
        rts

_half:  lda (SOURCE),y
        sta VIDEO_DATA
        iny
        iny
        cpy #32                         ; 32 or 33 ends it
        bcc _half
        rts

_half_turned:
        lda (SOURCE),y
        sta TEMP
        ldx #8                          ; the lowest bit out of TEMP becomes the highest of A
_bit:   lsr TEMP
        rol
        dex
        bne _bit
        sta VIDEO_DATA
        iny
        iny
        cpy #32
        bcc _half_turned
        rts
.scend

sketch_side_hat:                        ; From the side: hat, face, lantern
        .byte %00000000, %00000000
        .byte %00000111, %10000000
        .byte %00001111, %11000000
        .byte %00111111, %11110000
        .byte %00000000, %00000000
        .byte %00000011, %11000000
        .byte %00000011, %11000000
        .byte %00000001, %10000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000100
        .byte %00000000, %00001110
        .byte %00000000, %00001110
        .byte %00000000, %00001110
        .byte %00000000, %00000000
        .byte %00000000, %00000000

sketch_side:                            ; From the side: hair, jacket, legs apart
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001111, %10000000
        .byte %00001100, %00000000
        .byte %00001100, %00000000
        .byte %00000110, %00000000
        .byte %00001111, %11000000
        .byte %00001111, %11110000
        .byte %00001111, %01111000
        .byte %00001111, %00000100
        .byte %00001111, %10000000
        .byte %00001101, %11000000
        .byte %00011000, %01100000
        .byte %00011100, %01110000

sketch_side_step:                       ; From the side: legs together
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001111, %10000000
        .byte %00001100, %00000000
        .byte %00001100, %00000000
        .byte %00000110, %00000000
        .byte %00001111, %11000000
        .byte %00001111, %11110000
        .byte %00001111, %01111000
        .byte %00001111, %00000100
        .byte %00001111, %10000000
        .byte %00000111, %10000000
        .byte %00000111, %10000000
        .byte %00000111, %11000000

sketch_front_hat:                       ; From the front: hat, face, lantern
        .byte %00000000, %00000000
        .byte %00000111, %11100000
        .byte %00001111, %11110000
        .byte %00111111, %11111100
        .byte %00000000, %00000000
        .byte %00000111, %11100000
        .byte %00000101, %10100000
        .byte %00000011, %11000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000110
        .byte %00000000, %00000110
        .byte %00000000, %00001111
        .byte %00000000, %00001111
        .byte %00000000, %00000110
        .byte %00000000, %00000000

sketch_front:                           ; From the front: jacket, left leg forward
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001111, %11110000
        .byte %00001000, %00010000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001111, %11110000
        .byte %00011111, %11111000
        .byte %00110111, %11101110
        .byte %00110111, %11100000
        .byte %00000111, %11100000
        .byte %00000110, %01100000
        .byte %00000110, %01100000
        .byte %00001110, %00000000

sketch_back_hat:                        ; From behind: hat, lantern
        .byte %00000000, %00000000
        .byte %00000111, %11100000
        .byte %00001111, %11110000
        .byte %00111111, %11111100
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %01100000, %00000000
        .byte %01100000, %00000000
        .byte %11110000, %00000000
        .byte %11110000, %00000000
        .byte %01100000, %00000000
        .byte %00000000, %00000000

sketch_back:                            ; From behind: hair, jacket, left leg forward
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001111, %11110000
        .byte %00000111, %11100000
        .byte %00000111, %11100000
        .byte %00000011, %11000000
        .byte %00001111, %11110000
        .byte %00011111, %11111000
        .byte %01110111, %11101100
        .byte %00000111, %11101100
        .byte %00000111, %11100000
        .byte %00000110, %01100000
        .byte %00000110, %01100000
        .byte %00001110, %00000000

sketch_slug:                            ; Slug, stretched
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00001001
        .byte %00000000, %00000101
        .byte %00000000, %00000110
        .byte %00000000, %00001111
        .byte %00000000, %00011111
        .byte %00000011, %10111110
        .byte %00011111, %11111110
        .byte %01111111, %11111100
        .byte %11111111, %11111111
        .byte %01111111, %11111110
        .byte %00000000, %00000000

sketch_slug_hump:                       ; Slug, humped
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00001010
        .byte %00000000, %00001010
        .byte %00000000, %00001100
        .byte %00000001, %10011110
        .byte %00000111, %11011110
        .byte %00001111, %11111100
        .byte %00011111, %11111100
        .byte %00111111, %11111100
        .byte %00111111, %11111110
        .byte %00011111, %11111000
        .byte %00000000, %00000000

sketch_hedgehog:                        ; Hedgehog
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001001, %00100000
        .byte %00100101, %01010000
        .byte %00011111, %11100100
        .byte %01011111, %11111000
        .byte %00011111, %11111100
        .byte %01111111, %11111100
        .byte %00111111, %01110110
        .byte %01111111, %11111101
        .byte %00111111, %11111111
        .byte %00111111, %11111100
        .byte %00011111, %11111000
        .byte %00011000, %01100000
        .byte %00000000, %00000000

sketch_hedgehog_step:                   ; Hedgehog, other feet
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00000000, %00000000
        .byte %00001001, %00100000
        .byte %00100101, %01010000
        .byte %00011111, %11100100
        .byte %01011111, %11111000
        .byte %00011111, %11111100
        .byte %01111111, %11111100
        .byte %00111111, %01110110
        .byte %01111111, %11111101
        .byte %00111111, %11111111
        .byte %00111111, %11111100
        .byte %00011111, %11111000
        .byte %00000110, %00011000
        .byte %00000000, %00000000

sketch_star:                            ; Star: caught!
        .byte %00000001, %00000000
        .byte %00000001, %00000000
        .byte %00100001, %00001000
        .byte %00010000, %00010000
        .byte %00001001, %00100000
        .byte %00000011, %10000000
        .byte %00000011, %10000000
        .byte %11101111, %11101110
        .byte %00000011, %10000000
        .byte %00000011, %10000000
        .byte %00001001, %00100000
        .byte %00010000, %00010000
        .byte %00100001, %00001000
        .byte %00000001, %00000000
        .byte %00000001, %00000000
        .byte %00000000, %00000000
