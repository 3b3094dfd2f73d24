; Who is shown where: the sprite list of a picture, written once a picture for the interrupt to copy.
;
; The chip shows at most four sprites on a line and drops the later ones in the list. A gardener is two sprites, one
; for each colour. So that nobody vanishes for good, the animals take turns in the list from picture to picture, and
; with two gardeners the animals come first in every other picture: where it is crowded, things flicker, as on any
; machine with this chip.

.alias COLOUR_BLACK         1
.alias COLOUR_LIGHT_BLUE    5
.alias COLOUR_LIGHT_RED     9
.alias COLOUR_DARK_YELLOW   10
.alias COLOUR_LIGHT_YELLOW  11
.alias COLOUR_MAGENTA       13
.alias COLOUR_GREY          14
.alias COLOUR_WHITE         15

list_sprites:
.scope
        stz SPRITES_END
        lda GAME_STATE
        beq _title
        lda PLAYER2_ON
        and FRAME_COUNT
        and #1
        bne _animals_first
        jsr list_gardeners
        jsr list_animals
        bra _stop
_animals_first:
        jsr list_animals
        jsr list_gardeners
        bra _stop
_title: jsr list_title_walk
_stop:  ldx SPRITES_END
        lda #SPRITES_STOP
        sta SPRITES,x
        inc SPRITES_END
        rts
.scend

; Add a sprite: drawing A (0 to 63), colour Y, at column COLUMN and line ROW of the picture, in dots. Keeps X.
add_sprite:
        phx
        ldx SPRITES_END
        asl                             ; the chip counts drawings in pieces of 8 x 8: four of them here
        asl
        sta SPRITES+2,x
        tya
        sta SPRITES+3,x
        lda COLUMN
        sta SPRITES+1,x
        lda ROW
        dec                             ; a sprite begins one line below its Y
        sta SPRITES,x
        txa
        clc
        adc #4
        sta SPRITES_END
        plx
        rts

list_gardeners:
.scope
        ldx #1
_next:  lda PLAYER1_ON,x
        beq _not
        jsr list_gardener
_not:   dex
        bpl _next
        rts
.scend

; Gardener X: hat, face and lantern first, as what comes first is in front.
list_gardener:
.scope
        lda PLAYER1_X,x
        sta COLUMN
        lda PLAYER1_Y,x
        sta ROW
        lda PLAYER1_FACE,x
        asl
        asl
        tay
        lda gardener_drawings,y
        phy
        ldy #COLOUR_LIGHT_YELLOW
        jsr add_sprite
        ply
        lda PLAYER1_STEPS,x             ; the legs change every eighth step
        and #$08
        beq _first
        iny
_first: lda gardener_drawings+1,y
        ldy gardener_colours,x
        jmp add_sprite
.scend

gardener_drawings:                      ; hat, body, body with the other leg forward; by FACE_...
        .byte DRAWING_SIDE_HAT,  DRAWING_SIDE,  DRAWING_SIDE+1,  0
        .byte DRAWING_LEFT_HAT,  DRAWING_LEFT,  DRAWING_LEFT+1,  0
        .byte DRAWING_FRONT_HAT, DRAWING_FRONT, DRAWING_FRONT+1, 0
        .byte DRAWING_BACK_HAT,  DRAWING_BACK,  DRAWING_BACK+1,  0
gardener_colours:
        .byte COLOUR_LIGHT_BLUE, COLOUR_LIGHT_RED

list_animals:
.scope
        lda HEDGEHOG_ON
        beq _slugs
        jsr list_hedgehog
_slugs: lda FRAME_COUNT                 ; begin with another slug every time
        and #SLUGS-1
        tax
        lda #SLUGS
        sta INDEX
_slug:  lda SLUG_STATE,x
        beq _next
        jsr list_slug
_next:  inx
        txa
        and #SLUGS-1
        tax
        dec INDEX
        bne _slug
        rts
.scend

; Slug X, or its star.
list_slug:
.scope
        lda SLUG_X,x
        sta COLUMN
        lda SLUG_Y,x
        sta ROW
        lda SLUG_STATE,x
        cmp #SLUG_CAUGHT
        beq _star
        lda SLUG_FACE,x
        asl                             ; two drawings for each side
        clc
        adc #DRAWING_SLUG
        sta TEMP
        lda SLUG_TIMER,x                ; stretches and humps: by dots walked, or while it chews
        lsr
        lsr
        and #1
        clc
        adc TEMP
        ldy slug_colours,x
        jmp add_sprite
_star:  lda #DRAWING_STAR
        ldy #COLOUR_WHITE
        jmp add_sprite
.scend

slug_colours:
        .byte COLOUR_DARK_YELLOW, COLOUR_MAGENTA, COLOUR_LIGHT_RED, COLOUR_GREY
        .byte COLOUR_MAGENTA, COLOUR_DARK_YELLOW, COLOUR_GREY, COLOUR_LIGHT_RED

list_hedgehog:
.scope
        lda HEDGEHOG_X
        sta COLUMN
        lda HEDGEHOG_Y
        sta ROW
        lda HEDGEHOG_FACE
        asl
        clc
        adc #DRAWING_HEDGEHOG
        sta TEMP
        lda HEDGEHOG_X                  ; short legs: every fourth dot
        lsr
        lsr
        and #1
        clc
        adc TEMP
        ldy #COLOUR_DARK_YELLOW
        ldx HEDGEHOG_HAPPY
        beq _add
        ldy #COLOUR_LIGHT_RED           ; it blushes
_add:   jmp add_sprite
.scend

list_title_walk:
        lda #144
        sta ROW
        lda HEDGEHOG_X                  ; three places along the same way, in eight-bit numbers that run round
        clc
        adc #112
        sta COLUMN
        lsr
        lsr
        lsr
        and #1
        clc
        adc #DRAWING_SLUG
        ldy #COLOUR_MAGENTA
        jsr add_sprite
        lda #143
        sta ROW
        lda HEDGEHOG_X
        clc
        adc #72
        sta COLUMN
        lda #DRAWING_SIDE_HAT
        ldy #COLOUR_LIGHT_YELLOW
        jsr add_sprite
        lda HEDGEHOG_X
        lsr
        lsr
        lsr
        and #1
        clc
        adc #DRAWING_SIDE
        ldy #COLOUR_LIGHT_BLUE
        jsr add_sprite
        lda #144
        sta HEDGEHOG_Y
        jmp list_hedgehog
