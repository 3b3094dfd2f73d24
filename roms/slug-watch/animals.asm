; Slugs and hedgehog.

; --- Slugs come ---------------------------------------------------------------------------------------------------
; While more are to be caught than are in the garden, a new one appears at the hedge whenever the timer has run out
; and a place is free.
let_slugs_arrive:
.scope
        lda ARRIVAL_TIMER
        beq _due
        dec ARRIVAL_TIMER
        rts
_due:   ldy #0                          ; slugs in the garden
        ldx #SLUGS-1
        stz INDEX                       ; number of a free place, + 1
_count: lda SLUG_STATE,x
        beq _free
        cmp #SLUG_CAUGHT
        beq _next
        iny
        bra _next
_free:  stx INDEX
        inc INDEX
_next:  dex
        bpl _count
        cpy SLUGS_AT_ONCE
        bcs _end
        cpy SLUGS_TO_CATCH
        bcs _end
        ldx INDEX
        beq _end
        dex
        lda ARRIVAL_FRAMES
        sta ARRIVAL_TIMER

        jsr chance                      ; which side of the garden?
        lsr
        bcs _across
        lsr
        lda #8                          ; left or right, at any height
        bcc _side
        lda #232
_side:  sta SLUG_X,x
        jsr chance
        and #$7F
        clc
        adc #24
        sta SLUG_Y,x
        bra _creep
_across:
        lsr
        lda #14                         ; top or bottom, anywhere along it
        bcc _top
        lda #168
_top:   sta SLUG_Y,x
        jsr chance
        and #$7F
        clc
        adc #56
        sta SLUG_X,x
_creep: stz SLUG_PART,x
        stz SLUG_FACE,x
        jmp choose_lettuce
_end:   rts
.scend

; Slug X picks a lettuce that is still there: a number by chance, and from there the next one with a bite left.
; Someone must call this only while LETTUCES_LEFT is not 0; the game is over long before.
choose_lettuce:
.scope
        lda LETTUCES_LEFT
        beq _end
        jsr chance
        and #$1F
        cmp #LETTUCES
        bcc _try
        sbc #LETTUCES                   ; carry is set: 24 to 31 become 0 to 7
_try:   tay
        lda LETTUCE_BITES,y
        bne _take
        tya
        inc
        cmp #LETTUCES
        bcc _try
        lda #0
        bra _try
_take:  tya
        sta SLUG_TARGET,x
        stz SLUG_TIMER,x
        lda #SLUG_CREEPING
        sta SLUG_STATE,x
_end:   rts
.scend

; --- Slugs move ---------------------------------------------------------------------------------------------------
move_slugs:
.scope
        ldx #SLUGS-1
_slug:  lda SLUG_STATE,x
        beq _next
        cmp #SLUG_CREEPING
        bne _other
        jsr creep
        bra _next
_other: dec SLUG_TIMER,x
        bne _next
        cmp #SLUG_EATING
        beq _bite
        stz SLUG_STATE,x                ; its star goes out
        bra _next
_bite:  jsr bite
_next:  dex
        bpl _slug
        rts
.scend

; Slug X creeps SLUG_SPEED / 256 dots: the sum of the parts, and one dot when it runs over.
; It goes 16 dots across, then 16 dots up or down, and so on: a slug has no plan. When one way is done it takes the
; other. Slugs with odd numbers begin the other way round.
creep:
.scope
        lda SLUG_PART,x
        clc
        adc SLUG_SPEED
        sta SLUG_PART,x
        bcs _step
        rts
_step:  inc SLUG_TIMER,x                ; dots walked
        ldy SLUG_TARGET,x
        txa                             ; bit 4 of (dots + 16 * number) chooses the way
        asl
        asl
        asl
        asl
        clc
        adc SLUG_TIMER,x
        and #$10
        beq _up_down

        lda SLUG_X,x
        cmp lettuce_x,y
        bne _sideways
        lda SLUG_Y,x
        cmp lettuce_y,y
        bne _vertically
        bra _there
_up_down:
        lda SLUG_Y,x
        cmp lettuce_y,y
        bne _vertically
        lda SLUG_X,x
        cmp lettuce_x,y
        bne _sideways

_there: lda LETTUCE_BITES,y             ; somebody else may have been faster
        bne _eat
        jmp choose_lettuce
_eat:   lda #SLUG_EATING
        sta SLUG_STATE,x
        lda BITE_FRAMES
        sta SLUG_TIMER,x
        rts

_sideways:                              ; carry is set: it is to the right of its lettuce
        bcs _to_left
        inc SLUG_X,x
        stz SLUG_FACE,x                 ; FACE_RIGHT is 0
        rts
_to_left:
        dec SLUG_X,x
        lda #FACE_LEFT
        sta SLUG_FACE,x
        rts
_vertically:
        bcs _to_top
        inc SLUG_Y,x
        rts
_to_top:
        dec SLUG_Y,x
        rts
.scend

; Slug X has chewed long enough: one tile of its lettuce is gone. From the fourth bite on it looks for another.
bite:
.scope
        ldy SLUG_TARGET,x
        lda LETTUCE_BITES,y
        beq _gone                       ; a second slug on the same lettuce took the last bite
        dec
        sta LETTUCE_BITES,y
        phx
        tax                             ; 3, 2, 1, 0: which quarter
        lda lettuce_x,y
        lsr
        lsr
        lsr
        clc
        adc quarter_column,x
        sta COLUMN
        lda lettuce_y,y
        lsr
        lsr
        lsr
        clc
        adc quarter_row,x
        sta ROW
        lda #TILE_EATEN
        jsr queue_tile
        plx
        lda LETTUCE_BITES,y
        beq _last
        lda BITE_FRAMES
        sta SLUG_TIMER,x
        rts
_last:  dec LETTUCES_LEFT
_gone:  jmp choose_lettuce
.scend

quarter_column:                         ; of the four tiles, 0 to 3; 3, at the lower right, is eaten first
        .byte 0, 1, 0, 1
quarter_row:
        .byte 0, 0, 1, 1

; Slug Y is out: into the bucket or into the hedgehog. Keeps X and Y.
catch_slug:
        lda #SLUG_CAUGHT
        sta SLUG_STATE,y
        lda #24                         ; pictures with a star
        sta SLUG_TIMER,y
        rts

; --- Hedgehog -----------------------------------------------------------------------------------------------------
; It is away for a while (17 to 34 seconds, by chance), then trots once across the garden, at the height of a slug if
; it has noticed one, and eats the slugs it meets. Those do not count as caught: others come in their place.
send_hedgehog_away:
        stz HEDGEHOG_ON
        stz HEDGEHOG_HAPPY
        jsr chance
        ora #$80                        ; 128 to 255 times eight pictures
        sta HEDGEHOG_TIMER
        rts

move_hedgehog:
.scope
        lda HEDGEHOG_ON
        bne _trot
        lda FRAME_COUNT
        and #$07
        bne _end
        dec HEDGEHOG_TIMER
        bne _end
        inc HEDGEHOG_ON                 ; here it comes
        jsr chance
        and #SLUGS-1
        tax
        lda SLUG_STATE,x
        beq _middle
        lda SLUG_Y,x
        bra _height
_middle:
        lda #96
_height:
        sta HEDGEHOG_Y
        jsr chance
        and #1
        sta HEDGEHOG_FACE               ; FACE_RIGHT or FACE_LEFT
        beq _from_left
        lda #240
        sta HEDGEHOG_X
        rts
_from_left:
        stz HEDGEHOG_X
_end:   rts

_trot:  ldx HEDGEHOG_X
        lda HEDGEHOG_FACE
        beq _right
        dex
        bra _moved
_right: inx
_moved: stx HEDGEHOG_X
        beq _leave                      ; at the left edge again, or
        cpx #240                        ; at the right one
        bcs _leave

        ldy #SLUGS-1
_slug:  lda SLUG_STATE,y
        beq _next
        cmp #SLUG_CAUGHT
        beq _next
        lda SLUG_X,y
        sec
        sbc HEDGEHOG_X
        jsr distance
        cmp #10
        bcs _next
        lda SLUG_Y,y
        sec
        sbc HEDGEHOG_Y
        jsr distance
        cmp #10
        bcs _next
        jsr catch_slug
_next:  dey
        bpl _slug
        rts
_leave: jmp send_hedgehog_away
.scend

; --- The title's walk ---------------------------------------------------------------------------------------------
; Below the bed a slug creeps along, the gardener after it, and the hedgehog after both. One number moves them all.
start_title_walk:
        stz HEDGEHOG_X
        stz HEDGEHOG_HAPPY
        lda #FACE_RIGHT
        sta HEDGEHOG_FACE
        sta PLAYER1_FACE
        rts

title_walk:
.scope
        lda FRAME_COUNT
        and #1
        bne _end
        inc HEDGEHOG_X                  ; runs round at 256
_end:   rts
.scend
