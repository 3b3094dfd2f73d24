; Where every variable is. Marlpit has RAM from $0000 to $7EFF; the game needs one kilobyte of it.
; A name in capitals is a variable or a fixed number; code and tables are in small letters.

; --- Fixed numbers ------------------------------------------------------------------------------------------------
.alias STATE_TITLE       0
.alias STATE_PLAYING     1
.alias STATE_LEVEL_CLEAR 2
.alias STATE_GAME_OVER   3
.alias STATE_PAUSED      4

.alias SLUG_AWAY         0              ; this place in the slug tables is free
.alias SLUG_CREEPING     1
.alias SLUG_EATING       2
.alias SLUG_CAUGHT       3              ; a star is shown where it was

.alias FACE_RIGHT        0
.alias FACE_LEFT         1
.alias FACE_DOWN         2
.alias FACE_UP           3

.alias LETTUCES          24             ; planted at the start of a level
.alias LETTUCE_LIMIT     8              ; with fewer the game is lost
.alias BITES             4              ; a lettuce is four tiles, a bite takes one
.alias SLUGS             8              ; places in the slug tables
.alias QUEUE_PLACES      64             ; tiles that can change between two pictures

; --- Page zero: what is used all the time -------------------------------------------------------------------------
.data page_zero
.org $0010
.space FRAME_COUNT 2                    ; pictures since reset, low byte first; written by the interrupt only
.space DRAWING_READY 1                  ; 1: the next picture is written down, the interrupt may copy it
.space GAME_STATE 1                     ; one of STATE_...
.space STATE_FRAMES 1                   ; pictures since the state began, stops at 255
.space LEVEL 1                          ; from 1
.space LETTUCES_LEFT 1
.space SLUGS_TO_CATCH 1                 ; until the level is done

; Two gardeners. The second one's byte follows the first one's, so that `,x` with X = 0 or 1 reaches both.
.space PLAYER1_ON 1
.space PLAYER2_ON 1
.space PLAYER1_X 1                      ; dots from the left edge of the picture to the gardener's left edge
.space PLAYER2_X 1
.space PLAYER1_Y 1                      ; dots from the top
.space PLAYER2_Y 1
.space PLAYER1_FACE 1                   ; one of FACE_...
.space PLAYER2_FACE 1
.space PLAYER1_STEPS 1                  ; counts while walking: moves the legs
.space PLAYER2_STEPS 1
.space BUTTONS1 1                       ; held now, bits PAD_..., 1 = held (the pads themselves say 0)
.space BUTTONS2 1
.space PRESSED1 1                       ; went down since the last picture
.space PRESSED2 1

; Scores in decimal, two digits a byte, the high digits first: $01 $23 $40 is 12340.
.space SCORE 3                          ; of gardener 1
.space SCORE2 3                         ; of gardener 2
.space BEST_SCORE 3

; Keyboard, written by the interrupt.
.space KEYS_HELD 1                      ; bits PAD_... of the keys that are down
.space KEYS_SEEN 1                      ; the same for keys that went down since read_inputs last looked
.space KEY_RELEASE 1                    ; not 0: an $F0 came, the next code is a release
.space KEY_EXTENDED 1                   ; $80: an $E0 came
.space KEY_SKIP 1                       ; codes still to be skipped (the Pause key sends eight)

; Scratch. The interrupt uses none of these.
.space SOURCE 2
.space COUNT 2
.space RANDOM 2
.space COLUMN 1
.space ROW 1
.space INDEX 1
.space TEMP 1
.space TEMP2 1
.space SPRITES_END 1                    ; bytes in use in SPRITES
.space QUEUE_END 1                      ; entries in use in the tile queue

; What the level sets and the animals use.
.space SLUG_SPEED 1                     ; 256ths of a dot a picture
.space SLUGS_AT_ONCE 1
.space BITE_FRAMES 1                    ; pictures a bite takes
.space ARRIVAL_FRAMES 1                 ; pictures between two arrivals
.space ARRIVAL_TIMER 1
.space HEDGEHOG_ON 1
.space HEDGEHOG_X 1
.space HEDGEHOG_Y 1
.space HEDGEHOG_FACE 1
.space HEDGEHOG_HAPPY 1                 ; has been stroked
.space HEDGEHOG_TIMER 1                 ; counts down every eighth picture while away

; --- Page 2 and 3 -------------------------------------------------------------------------------------------------
.data work
.org $0200
.space SPRITES 128                      ; the sprite list of the next picture: Y, X, drawing, colour for each
.space STATUS_LINE 32                   ; the top row of the next picture
.space LETTUCE_BITES 24                 ; bites left of each lettuce, 0 = eaten up
.space SLUG_STATE 8                     ; one of SLUG_...
.space SLUG_X 8
.space SLUG_Y 8
.space SLUG_PART 8                      ; 256ths of a dot
.space SLUG_TARGET 8                    ; number of the lettuce it wants
.space SLUG_TIMER 8                     ; creeping: dots walked; eating and caught: pictures left
.space SLUG_FACE 8

.org $0300
.space QUEUE_LOW 64                     ; tile queue: address low, address high with VIDEO_TO_WRITE, tile
.space QUEUE_HIGH 64
.space QUEUE_NAME 64
