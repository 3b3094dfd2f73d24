; --- Big letters --------------------------------------------------------------------------------------------------
; The name of the game stands on the title in letters three times as big: a letter of the font, 8 x 8 dots, becomes
; 24 x 24 dots, which are 3 x 3 tiles. Only the top third of the picture gets them. In the card they lie column by
; column, as then the 24 lines of a column follow each other, and can be written without setting a new address.
.alias BIG_TILES           $AF
.alias BIG_COUNT         9

load_big_letters:
.scope
        lda #<[BIG_TILES*8]
        ldx #>[BIG_TILES*8+VRAM_PATTERNS]
        jsr video_address
        ldx #0
_letter:
        stx INDEX
        lda big_letters,x               ; SOURCE := font + 8 * (character - $20)
        sec
        sbc #$20
        stz SOURCE+1
        asl
        asl
        asl
        rol SOURCE+1                    ; 64 characters: only the last shift can run over
        clc
        adc #<font
        sta SOURCE
        lda SOURCE+1
        adc #>font
        sta SOURCE+1
        ldx #0                          ; place in stretch_masks: 8 for each column
_column:
        ldy #0                          ; line of the small letter
_line:  lda (SOURCE),y
        sta TEMP
        phx
        lda #8
        sta COUNT
_dot:   lda TEMP                        ; each dot of the big line is the dot of the small one that its mask names
        and stretch_masks,x
        cmp #1                          ; carry: not 0
        rol TEMP2
        inx
        dec COUNT
        bne _dot
        plx
        lda TEMP2
        sta VIDEO_DATA                  ; three lines alike
        nop
        sta VIDEO_DATA
        nop
        sta VIDEO_DATA
        iny
        cpy #8
        bne _line
        txa
        clc
        adc #8
        tax
        cpx #24
        bne _column
        ldx INDEX
        inx
        cpx #BIG_COUNT
        bne _letter

        lda #<[BIG_TILES*8]             ; and their colours: 27 columns of 24 lines, light above, dark below
        ldx #>[BIG_TILES*8+VRAM_COLOURS]
        jsr video_address
        ldx #BIG_COUNT*3
_shade: ldy #0
_row:   lda big_colours,y
        sta VIDEO_DATA
        iny
        cpy #24
        bne _row
        dex
        bne _shade
        rts
.scend

big_letters:
        .byte "SLUGWATCH"
stretch_masks:
        .byte $80,$80,$80, $40,$40,$40, $20,$20
        .byte $20, $10,$10,$10, $08,$08,$08, $04
        .byte $04,$04, $02,$02,$02, $01,$01,$01
big_colours:
        .byte $F1,$B1,$B1,$B1,$31,$31,$31,$31
        .byte $31,$31,$31,$31,$21,$21,$21,$21
        .byte $21,$C1,$C1,$C1,$C1,$C1,$C1,$C1
