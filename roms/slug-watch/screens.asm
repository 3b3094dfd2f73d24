; Title, garden, status line, messages.

; --- Title --------------------------------------------------------------------------------------------------------
show_title:
        jsr picture_off
        jsr load_big_letters
        lda #<title_map
        ldx #>title_map
        ldy #24
        jsr draw_rows
        jsr draw_title_words
        stz GAME_STATE                  ; STATE_TITLE is 0
        stz STATE_FRAMES
        stz PLAYER1_ON
        stz PLAYER2_ON
        jsr start_title_walk
        jmp picture_on

; Rows of 32 tiles from X:A, Y of them, to the top of the picture, which is off. Maps lie in ROM as they are shown.
draw_rows:
.scope
        sta SOURCE
        stx SOURCE+1
        stz COUNT+1                     ; 32 * Y bytes
        tya
        ldx #5
_times: asl
        rol COUNT+1
        dex
        bne _times
        sta COUNT
        lda #<VRAM_NAMES
        ldx #>VRAM_NAMES
        jsr video_address
        jmp copy_to_video
.scend

; The name of the game in big letters: nine letters of 3 x 3 tiles. Their tiles lie column by column, see
; load_big_letters; here they are called by name.
.alias BIG_ROW 4                        ; row of the picture where they begin
draw_title_words:
.scope
        lda #BIG_ROW
        sta ROW
        stz TEMP                        ; line of tiles within the letters, 0 to 2
_row:   ldx #0                          ; letter
_letter:
        lda big_letter_columns,x
        sta COLUMN
        lda big_letter_tiles,x
        clc
        adc TEMP
        ldy #3
_tile:  pha
        jsr name_address
        phx
        lda SOURCE
        ldx SOURCE+1
        jsr video_address
        plx
        pla
        sta VIDEO_DATA
        inc COLUMN
        clc
        adc #3                          ; a column of a letter is three tiles
        dey
        bne _tile
        inx
        cpx #BIG_COUNT
        bne _letter
        inc ROW
        inc TEMP
        lda TEMP
        cmp #3
        bne _row
        ; Best score, in the map's line of its own.
        lda #23
        sta ROW
        lda #19
        sta COLUMN
        jsr name_address
        lda SOURCE
        ldx SOURCE+1
        jsr video_address
        ldx #0
_best:  lda BEST_SCORE,x
        jsr split_digits
        sta VIDEO_DATA
        nop                             ; 2 us between two bytes
        sty VIDEO_DATA
        inx
        cpx #3
        bne _best
        rts
.scend

; A: byte of two decimal digits -> A: the left one's character, Y: the right one's. Keeps X.
split_digits:
        pha
        and #$0F
        ora #'0
        tay
        pla
        lsr
        lsr
        lsr
        lsr
        ora #'0
        rts

big_letter_columns:                     ; S   L   U   G       W   A   T   C   H
        .byte                             2,  5,  8, 11,     16, 19, 22, 25, 28
big_letter_tiles:
        .byte BIG_TILES, BIG_TILES+9, BIG_TILES+18, BIG_TILES+27, BIG_TILES+36
        .byte BIG_TILES+45, BIG_TILES+54, BIG_TILES+63, BIG_TILES+72

; Two stars of the title twinkle: every 16 pictures their tiles change, one big when the other is small.
twinkle:
.scope
        lda FRAME_COUNT
        and #$0F
        bne _end
        ldx #0
        lda FRAME_COUNT
        and #$10
        beq _next
        ldx #2
_next:  lda #4
        sta COLUMN
        lda #1
        sta ROW
        lda twinkle_tiles,x
        jsr queue_tile
        lda #23
        sta COLUMN
        lda #9
        sta ROW
        lda twinkle_tiles+1,x
        jsr queue_tile
_end:   rts
.scend

twinkle_tiles:
        .byte TILE_STAR_BIG, TILE_STAR_SMALL
        .byte TILE_STAR_SMALL, TILE_STAR_BIG

; --- Garden -------------------------------------------------------------------------------------------------------
; The status line's row is left to the interrupt; the map has an empty row there.
show_garden:
.scope
        jsr picture_off
        lda #<garden_map
        ldx #>garden_map
        ldy #24
        jsr draw_rows
        ldx #LETTUCES-1                 ; plant the lettuces
_plant: lda lettuce_x,x
        lsr
        lsr
        lsr
        sta COLUMN
        lda lettuce_y,x
        lsr
        lsr
        lsr
        sta ROW
        lda #TILE_LETTUCE
        jsr _pair
        inc ROW
        lda #TILE_LETTUCE+2
        jsr _pair
        lda #BITES
        sta LETTUCE_BITES,x
        dex
        bpl _plant
        lda #LETTUCES
        sta LETTUCES_LEFT
        jmp picture_on

_pair:  phx
        pha                             ; two tiles side by side
        jsr name_address
        lda SOURCE
        ldx SOURCE+1
        jsr video_address
        pla
        sta VIDEO_DATA
        inc
        sta VIDEO_DATA
        plx
        rts
.scend

; Where the lettuces stand, in dots: two beds side by side, two below them, six lettuces each.
lettuce_x:
        .byte  40, 64, 88,   152, 176, 200
        .byte  40, 64, 88,   152, 176, 200
        .byte  40, 64, 88,   152, 176, 200
        .byte  40, 64, 88,   152, 176, 200
lettuce_y:
        .byte  40, 40, 40,    40,  40,  40
        .byte  64, 64, 64,    64,  64,  64
        .byte 120,120,120,   120, 120, 120
        .byte 144,144,144,   144, 144, 144

; --- Status line --------------------------------------------------------------------------------------------------
; Written into STATUS_LINE once a picture while a game is on; on the title it is a row of sky.
write_status_line:
.scope
        ldx #31
        lda GAME_STATE
        bne _game
_sky:   lda title_map,x
        sta STATUS_LINE,x
        dex
        bpl _sky
        rts

_game:  lda status_text,x
        sta STATUS_LINE,x
        dex
        bpl _game
        ldx #0
        ldy #2
        jsr _score
        lda LEVEL
        ldy #11
        jsr _number
        lda LETTUCES_LEFT
        ldy #15
        jsr _number
        lda SLUGS_TO_CATCH
        ldy #19
        jsr _number
        lda PLAYER2_ON
        beq _alone
        ldx #3
        ldy #25
        jmp _score
_alone: ldx #5
_join:  lda join_text,x                 ; nobody at pad 2 yet
        sta STATUS_LINE+25,x
        dex
        bpl _join
        rts

; Six digits of SCORE,x at column Y.
_score: lda #3
        sta TEMP
_digits:
        lda SCORE,x
        phy
        jsr split_digits
        sty TEMP2
        ply
        sta STATUS_LINE,y
        iny
        lda TEMP2
        sta STATUS_LINE,y
        iny
        inx
        dec TEMP
        bne _digits
        rts

; A, 0 to 99, as two digits at column Y. Changes X.
_number:
        ldx #'0
_tens:  cmp #10
        bcc _ones
        sbc #10                         ; carry is set here
        inx
        bra _tens
_ones:  ora #'0
        sta STATUS_LINE+1,y
        txa
        sta STATUS_LINE,y
        rts
.scend

status_text:                            ; score of gardener 1, level, lettuces left, slugs to catch, score of gardener 2
        .byte TILE_HAT_1, " 000000 LV00 ", TILE_SMALL_LETTUCE, "00 ", TILE_SMALL_SLUG, "00  "
        .byte TILE_HAT_2, " 000000 "
join_text:
        .byte "START?"

; --- Messages -----------------------------------------------------------------------------------------------------
; Three lines of 16 characters on the path between the beds, where no lettuce stands. They go through the tile queue,
; as the picture stays on: 48 of its 64 places.
.alias MESSAGE_COLUMN 8
.alias MESSAGE_ROW    11

; Message at X:A (high:low).
show_message:
.scope
        sta COUNT                       ; a pointer here; queue_tile needs SOURCE
        stx COUNT+1
        ldy #0
_next:  jsr message_place
        lda (COUNT),y
        jsr queue_tile
        iny
        cpy #48
        bne _next
        rts
.scend

; The garden as it was.
hide_message:
.scope
        ldy #0
_next:  jsr message_place
        lda COLUMN                      ; the map is more than 256 bytes: take the row's 32 tiles by the row
        tax
        lda ROW
        cmp #MESSAGE_ROW+1
        beq _middle
        bcs _lower
        lda garden_map+32*MESSAGE_ROW,x
        bra _tile
_middle:
        lda garden_map+32*MESSAGE_ROW+32,x
        bra _tile
_lower: lda garden_map+32*MESSAGE_ROW+64,x
_tile:  jsr queue_tile
        iny
        cpy #48
        bne _next
        rts
.scend

; COLUMN and ROW of character Y of a message.
message_place:
        tya
        and #$0F
        clc
        adc #MESSAGE_COLUMN
        sta COLUMN
        tya
        lsr
        lsr
        lsr
        lsr
        clc
        adc #MESSAGE_ROW
        sta ROW
        rts

paused_message:
        .byte "                "
        .byte "     PAUSED     "
        .byte "  START: GO ON  "
level_message:
        .byte "                "
        .byte "  NIGHT IS OVER "
        .byte "  BED IS SAFE!  "
over_message:
        .byte "   GAME OVER    "
        .byte " SALAD IS LOST! "
        .byte " START OR ENTER "

; --- Maps ---------------------------------------------------------------------------------------------------------
; A map is drawn with characters; .charmap says which tile each stands for (it takes plain numbers only: they are
; those of the TILE_ names in tiles.asm). Letters and digits stay what they are.
.charmap ".", $80                       ; grass
.charmap ",", $81                       ; tuft
.charmap "'", $82                       ; flower
.charmap "_", $83                       ; pebbles
.charmap "#", $84                       ; hedge
.charmap "%", $85                       ; hedge, other leaves
.charmap "~", $88                       ; soil
.charmap "[", $89                       ; planks round a bed, from the top left corner
.charmap "=", $8A
.charmap "]", $8B
.charmap "<", $8C
.charmap ">", $8D
.charmap "{", $8E
.charmap "^", $8F
.charmap "}", $90

garden_map:
        .byte "                                "
        .byte "#%##%#%%#%##%#%%##%#%##%#%%#%##%"
        .byte "%...,.........'..,.........,...#"
        .byte "#.,........,..__......'.......,%"
        .byte "%...[========].__.[========]...#"
        .byte "#.,.<~~~~~~~~>.__.<~~~~~~~~>.'.%"
        .byte "#...<~~~~~~~~>_._.<~~~~~~~~>...#"
        .byte "%...<~~~~~~~~>.__.<~~~~~~~~>.,.%"
        .byte "#'..<~~~~~~~~>__..<~~~~~~~~>...#"
        .byte "%...<~~~~~~~~>.__.<~~~~~~~~>...%"
        .byte "#.,.{^^^^^^^^}.__.{^^^^^^^^}.,.#"
        .byte "%..__.___._._____.__._.___.__..%"
        .byte "#.__.___.____.__.____.___.__._.#"
        .byte "%.,_.__.__._.______._.__.___..'%"
        .byte "#...[========].__.[========]...#"
        .byte "#.'.<~~~~~~~~>.__.<~~~~~~~~>...%"
        .byte "%...<~~~~~~~~>_._.<~~~~~~~~>.,.#"
        .byte "#...<~~~~~~~~>.__.<~~~~~~~~>...%"
        .byte "%.,.<~~~~~~~~>.__.<~~~~~~~~>...#"
        .byte "#...<~~~~~~~~>__..<~~~~~~~~>.'.%"
        .byte "%.'.{^^^^^^^^}.__.{^^^^^^^^}...#"
        .byte "#......,......__.......,.......%"
        .byte "%..,.......'......,.......,..'.#"
        .byte "#%##%#%%#%##%#%%##%#%##%#%%#%##%"

; The title: stars, the moon, light behind the hedge in three steps, a bed of lettuces.
.charmap
.charmap ".", $96                       ; stars: small, big, dim
.charmap "*", $97
.charmap "+", $98
.charmap "1", $99, $9A, $9B, $9C, $9D, $9E, $9F, $A0, $A1       ; moon, 3 x 3 tiles: 1 to 9
.charmap "a", $A2, $A3, $A4             ; dawn
.charmap "h", $86, $87                  ; top of the hedge, before the dawn
.charmap "#", $84
.charmap "%", $85
.charmap "[", $91                       ; lettuce
.charmap "]", $92
.charmap "{", $93
.charmap "}", $94
.charmap "~", $88
.charmap ",", $81
.charmap "_", $80

title_map:
        .byte "  .        +      .      +  123 "
        .byte "    *          .        .   456 "
        .byte "+         .           +     789 "
        .byte "  .            +           .    "
        .byte "                                "
        .byte "                                "
        .byte "                                "
        .byte " .    +              .        + "
        .byte "   NIGHT IN THE VEGETABLE BEDS  "
        .byte "   .        +          *     .  "
        .byte "      PRESS START OR ENTER      "
        .byte " +                            . "
        .byte "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
        .byte "bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb"
        .byte "cccccccccccccccccccccccccccccccc"
        .byte "hihhihiihhihihiihhihihhihiihihhi"
        .byte "~[]~~[]~~[]~~[]~~[]~~[]~~[]~~[]~"
        .byte "~{}~~{}~~{}~~{}~~{}~~{}~~{}~~{}~"
        .byte "_,____,___,______,____,______,__"
        .byte "________________________________"
        .byte "__,_______,____,_______,____,___"
        .byte "      PAD OR ARROWS: WALK       "
        .byte "  A OR SPACE: SLUG INTO BUCKET  "
        .byte "       BEST SCORE               "
.charmap
