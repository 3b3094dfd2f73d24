; The run of a game: states, levels, scores, what the gardeners do.

; X = state to go to.
enter_state:
        stx GAME_STATE
        stz STATE_FRAMES
        rts

; Count the pictures of this state, to 255 at most.
count_state_frames:
.scope
        inc STATE_FRAMES
        bne _end
        dec STATE_FRAMES
_end:   rts
.scend

; --- Title --------------------------------------------------------------------------------------------------------
; Start on pad 1 or enter: one gardener. Start on pad 2: both. A, B and space will do for the impatient.
.alias BEGIN_BUTTONS PAD_START + PAD_A + PAD_B
title_state:
.scope
        jsr count_state_frames
        jsr twinkle
        jsr title_walk
        lda PRESSED2
        and #BEGIN_BUTTONS
        bne new_game_for_two
        lda PRESSED1
        and #BEGIN_BUTTONS
        bne new_game
        rts
.scend

; --- A new game ---------------------------------------------------------------------------------------------------
new_game_for_two:
        lda #1
        bra begin_game
new_game:
        lda #0
begin_game:
.scope
        sta PLAYER2_ON
        lda #1
        sta PLAYER1_ON
        sta LEVEL
        ldx #5                          ; both scores
_zero:  stz SCORE,x
        dex
        bpl _zero
        jsr seed_chance
        jsr send_hedgehog_away
        ldx #0
        jsr place_gardener
        inx
        jsr place_gardener
        ; and on into the first level
.scend
start_level:
.scope
        ldx LEVEL                       ; tables for levels 1 to 10; from 10 on nothing gets worse
        cpx #11
        bcc _known
        ldx #10
_known: lda level_speed-1,x
        sta SLUG_SPEED
        lda level_at_once-1,x
        sta SLUGS_AT_ONCE
        lda level_bite-1,x
        sta BITE_FRAMES
        lda level_arrival-1,x
        sta ARRIVAL_FRAMES
        lda level_quota-1,x
        sta SLUGS_TO_CATCH
        lda #60                         ; a second of peace
        sta ARRIVAL_TIMER
        ldx #SLUGS-1
_free:  stz SLUG_STATE,x
        dex
        bpl _free
        lda HEDGEHOG_ON                 ; a hedgehog on its way goes home, one that is away comes when it would
        beq _home
        jsr send_hedgehog_away
_home:  jsr show_garden
        ldx #STATE_PLAYING
        jmp enter_state
.scend

;                      level: 1   2   3   4   5    6    7    8    9   10
level_speed:    .byte        56, 68, 80, 92,104, 118, 132, 148, 164, 184   ; 256ths of a dot a picture
level_at_once:  .byte         4,  4,  5,  5,  6,   6,   7,   7,   8,   8
level_bite:     .byte        75, 68, 62, 56, 50,  46,  42,  38,  34,  30   ; pictures
level_arrival:  .byte       110,100, 92, 84, 76,  68,  60,  52,  46,  40   ; pictures
level_quota:    .byte         8, 10, 12, 14, 16,  18,  20,  22,  25,  30

; Gardener X (0 or 1) to the start: on the middle path, the second to the right of the first.
place_gardener:
        lda start_x,x
        sta PLAYER1_X,x
        lda #96
        sta PLAYER1_Y,x
        lda #FACE_DOWN
        sta PLAYER1_FACE,x
        stz PLAYER1_STEPS,x
        rts
start_x:
        .byte 108, 132

; --- Playing ------------------------------------------------------------------------------------------------------
playing_state:
.scope
        jsr count_state_frames
        lda PRESSED1
        and #PAD_SELECT
        beq _stay
        jmp show_title
_stay:  lda PLAYER2_ON                  ; Start on pad 2: join, if not there yet, else pause
        bne _pause
        lda PRESSED2
        and #PAD_START
        beq _pause
        inc PLAYER2_ON
        ldx #1
        jsr place_gardener
        stz PRESSED2
_pause: lda PRESSED1
        ora PRESSED2
        and #PAD_START
        beq _go_on
        lda #<paused_message
        ldx #>paused_message
        jsr show_message
        ldx #STATE_PAUSED
        jmp enter_state

_go_on: ldx #0
        jsr move_gardener
        lda PLAYER2_ON
        beq _animals
        ldx #1
        jsr move_gardener
_animals:
        jsr let_slugs_arrive
        jsr move_slugs
        jsr move_hedgehog

        lda LETTUCES_LEFT
        cmp #LETTUCE_LIMIT
        bcc _lost
        lda SLUGS_TO_CATCH
        beq _won
        rts

_lost:  jsr keep_best_score
        lda #<over_message
        ldx #>over_message
        jsr show_message
        ldx #STATE_GAME_OVER
        jmp enter_state

_won:   lda #<level_message
        ldx #>level_message
        jsr show_message
        ldx #STATE_LEVEL_CLEAR
        jmp enter_state
.scend

paused_state:
.scope
        lda PRESSED1
        ora PRESSED2
        and #PAD_START
        beq _end
        jsr hide_message
        ldx #STATE_PLAYING
        jmp enter_state
_end:   rts
.scend

; --- Level done ---------------------------------------------------------------------------------------------------
; For three seconds everybody rests; every fourth picture one lettuce is counted, ten points for each gardener.
level_clear_state:
.scope
        jsr count_state_frames
        lda STATE_FRAMES
        cmp #180
        bcs _next
        and #$03
        bne _end
        lda STATE_FRAMES
        lsr
        lsr
        cmp LETTUCES_LEFT
        beq _points
        bcs _end
_points:
        ldx #0
        lda #$10
        jsr add_score
        lda PLAYER2_ON
        beq _end
        inx
        lda #$10
        jmp add_score
_end:   rts

_next:  lda LEVEL
        cmp #99                         ; the status line has two digits
        bcs _same
        inc LEVEL
_same:  jmp start_level
.scend

; --- Game over ----------------------------------------------------------------------------------------------------
; For a second no button counts: somebody is still hammering A. After four seconds without one, the title.
game_over_state:
.scope
        jsr count_state_frames
        lda STATE_FRAMES
        cmp #60
        bcc _end
        cmp #255
        beq _title
        lda PRESSED2
        and #BEGIN_BUTTONS
        bne _two
        lda PRESSED1
        and #BEGIN_BUTTONS
        bne _one
        lda PRESSED1
        ora PRESSED2
        and #PAD_SELECT
        bne _title
_end:   rts
_one:   jmp new_game
_two:   jmp new_game_for_two
_title: jmp show_title
.scend

; --- Scores -------------------------------------------------------------------------------------------------------
; Add A (two decimal digits) to the score of gardener X, 0 or 1. Keeps X and Y.
add_score:
.scope
        phy
        ldy score_place,x
        sed                             ; the interrupt may come: the 65C02 clears and restores the flag around it
        clc
        adc SCORE+2,y
        sta SCORE+2,y
        lda SCORE+1,y
        adc #0
        sta SCORE+1,y
        lda SCORE,y
        adc #0
        sta SCORE,y
        cld
        ply
        rts
.scend
score_place:
        .byte 0, 3

; The better of the two scores, if it beats the best so far.
keep_best_score:
.scope
        ldx #0
        jsr _try
        ldx #3
_try:   lda SCORE,x                     ; compare from the high digits down
        cmp BEST_SCORE
        bne _differ
        lda SCORE+1,x
        cmp BEST_SCORE+1
        bne _differ
        lda SCORE+2,x
        cmp BEST_SCORE+2
_differ:
        bcc _end
        lda SCORE,x
        sta BEST_SCORE
        lda SCORE+1,x
        sta BEST_SCORE+1
        lda SCORE+2,x
        sta BEST_SCORE+2
_end:   rts
.scend

; --- Gardeners ----------------------------------------------------------------------------------------------------
; A gardener walks three dots in two pictures, within the hedge, and over the beds too (on tiptoe).
.alias GARDEN_LEFT   8
.alias GARDEN_RIGHT  232
.alias GARDEN_TOP    16
.alias GARDEN_BOTTOM 168

; Gardener X (0 or 1): walk, then pick up.
move_gardener:
.scope
        lda BUTTONS1,x
        sta TEMP
        and #PAD_UP + PAD_DOWN + PAD_LEFT + PAD_RIGHT
        beq _stand
        inc PLAYER1_STEPS,x
        lda FRAME_COUNT
        and #1
        inc                             ; 1 or 2 dots
        sta TEMP2

        lda TEMP
        and #PAD_UP
        beq _down
        lda #FACE_UP
        sta PLAYER1_FACE,x
        lda PLAYER1_Y,x
        sec
        sbc TEMP2
        cmp #GARDEN_TOP
        bcs _set_up
        lda #GARDEN_TOP
_set_up:
        sta PLAYER1_Y,x
_down:  lda TEMP
        and #PAD_DOWN
        beq _left
        lda #FACE_DOWN
        sta PLAYER1_FACE,x
        lda PLAYER1_Y,x
        clc
        adc TEMP2
        cmp #GARDEN_BOTTOM
        bcc _set_down
        lda #GARDEN_BOTTOM
_set_down:
        sta PLAYER1_Y,x
_left:  lda TEMP
        and #PAD_LEFT
        beq _right
        lda #FACE_LEFT
        sta PLAYER1_FACE,x
        lda PLAYER1_X,x
        sec
        sbc TEMP2
        cmp #GARDEN_LEFT
        bcs _set_left
        lda #GARDEN_LEFT
_set_left:
        sta PLAYER1_X,x
_right: lda TEMP
        and #PAD_RIGHT
        beq _stand
        lda #FACE_RIGHT
        sta PLAYER1_FACE,x
        lda PLAYER1_X,x
        clc
        adc TEMP2
        cmp #GARDEN_RIGHT
        bcc _set_right
        lda #GARDEN_RIGHT
_set_right:
        sta PLAYER1_X,x

_stand: lda PRESSED1,x
        and #PAD_A
        bne pick_up
        rts
.scend

; Gardener X pressed A: every slug within reach goes into the bucket, 10 points each; a hedgehog is stroked.
.alias REACH 12                         ; dots, in both directions
pick_up:
.scope
        ldy #SLUGS-1
_slug:  lda SLUG_STATE,y
        beq _next
        cmp #SLUG_CAUGHT
        beq _next
        lda SLUG_X,y
        sec
        sbc PLAYER1_X,x
        jsr distance
        cmp #REACH
        bcs _next
        lda SLUG_Y,y
        sec
        sbc PLAYER1_Y,x
        jsr distance
        cmp #REACH
        bcs _next
        lda #$10
        jsr add_score
        jsr catch_slug
        lda SLUGS_TO_CATCH
        beq _next                       ; the last two in one go
        dec SLUGS_TO_CATCH
_next:  dey
        bpl _slug

        lda HEDGEHOG_ON
        beq _end
        lda HEDGEHOG_HAPPY
        bne _end
        lda HEDGEHOG_X
        sec
        sbc PLAYER1_X,x
        jsr distance
        cmp #REACH+2
        bcs _end
        lda HEDGEHOG_Y
        sec
        sbc PLAYER1_Y,x
        jsr distance
        cmp #REACH+2
        bcs _end
        inc HEDGEHOG_HAPPY
        lda #$50
        jmp add_score
_end:   rts
.scend

; A: result of a subtraction of two positions, carry as the subtraction left it -> A: how far apart they are.
distance:
.scope
        bcs _end
        eor #$FF
        inc
_end:   rts
.scend
