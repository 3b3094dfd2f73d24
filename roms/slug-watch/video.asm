; The video card.
;
; Graphics mode II: 32 x 24 tiles of 8 x 8 dots, each line of a tile with its own two colours, and 32 sprites.
; The chip divides the picture into thirds (rows 0-7, 8-15, 16-23) that have their own tiles; ours are the same in all
; three, but for the colours of the font and the big letters of the title.
;
; Two rules of the chip shape this file:
;   - It finds time for us only now and then while it draws: 8 microseconds, 16 cycles at 2 MHz, must lie between two
;     bytes of video memory. With the picture off, or in the 4.3 ms below the picture, 2 microseconds do. The loops of
;     the interrupt keep 16 cycles anyway, so nothing breaks should it start late.
;   - A register or an address is set by two bytes, one after the other. Whoever comes between them, even to read the
;     status, makes the second byte count as a first one. So with interrupts allowed, only the interrupt touches the
;     card; big changes are made with interrupts forbidden and the picture off (picture_off ... picture_on).

.alias VRAM_PATTERNS      0*1024        ; 6 KB: 8 bytes a tile, in each third 256 tiles. Register 4 = 3
.alias VRAM_DRAWINGS      6*1024        ; 2 KB: 32 bytes for a sprite of 16 x 16. Register 6 counts in 2 KB
.alias VRAM_COLOURS       8*1024        ; 6 KB: colours of the patterns, byte by byte. Register 3 = $FF
.alias VRAM_NAMES         14*1024       ; which tile is where, 32 a row. Register 2 counts in 1 KB
.alias VRAM_SPRITES       118*128       ; $3B00, 4 bytes a sprite. Register 5 counts in 128 bytes
.alias SPRITES_STOP       $D0           ; as Y of a sprite: the list ends here

.alias REGISTER_1_ON         VIDEO_16K + VIDEO_SHOW + VIDEO_INTERRUPT + VIDEO_BIG
.alias REGISTER_1_OFF        VIDEO_16K + VIDEO_BIG

video_registers:
        .byte $02                       ; 0: graphics II, no external picture
        .byte REGISTER_1_OFF               ; 1
        .byte $0E                       ; 2: names at 14 KB
        .byte $FF                       ; 3: colours at 8 KB, all thirds apart
        .byte $03                       ; 4: patterns at 0, all thirds apart
        .byte $76                       ; 5: sprite list at 118 * 128
        .byte $03                       ; 6: sprite drawings at 6 KB
        .byte $01                       ; 7: border black

; Set all registers, clear all 16 KB. Interrupts are still forbidden.
video_start:
.scope
        lda VIDEO_STATUS                ; whatever pair was begun before the reset is forgotten
        ldx #0
_next:  lda video_registers,x
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_REGISTER
        sta VIDEO_CONTROL
        inx
        cpx #8
        bne _next
        lda #0
        ldx #0
        jsr video_address
        ldx #64                         ; 64 times 256 bytes
        ldy #0
_clear: stz VIDEO_DATA                  ; 9 cycles a byte: 4.5 us, enough with the picture off
        iny
        bne _clear
        dex
        bne _clear
        rts
.scend

; Get ready to write video memory from address X:A (high:low).
video_address:
        sta VIDEO_CONTROL
        txa
        ora #VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        rts

; Forbid interrupts and switch the picture off: from here on the main program has the card for itself.
picture_off:
        sei
        lda VIDEO_STATUS                ; first byte of a pair comes next
        lda #REGISTER_1_OFF
        bra set_register_1

; Switch the picture on, with an empty sprite list, and allow interrupts.
picture_on:
        lda #<VRAM_SPRITES
        ldx #>VRAM_SPRITES
        jsr video_address
        lda #SPRITES_STOP
        sta VIDEO_DATA
        stz QUEUE_END                   ; tiles that were still to change belong to the screen before
        stz DRAWING_READY
        lda VIDEO_STATUS                ; a frame that ended meanwhile does not count: the next one shall call us
        lda #REGISTER_1_ON
        jsr set_register_1
        cli
        rts

set_register_1:
        sta VIDEO_CONTROL
        lda #VIDEO_REGISTER + 1
        sta VIDEO_CONTROL
        rts

; Copy COUNT bytes from SOURCE to the card; the address has been set, the picture is off. COUNT is not 0.
copy_to_video:
.scope
        ldy #0
_next:  lda (SOURCE),y
        sta VIDEO_DATA
        iny
        bne _count
        inc SOURCE+1
_count: lda COUNT
        bne _low
        dec COUNT+1
_low:   dec COUNT
        bne _next
        lda COUNT+1
        bne _next
        rts
.scend

; --- The interrupt's part -----------------------------------------------------------------------------------------
; Once a picture, when its last line has been drawn. 64 sprite bytes, 64 tiles and 32 characters at worst take
; about 5000 cycles, 2.5 ms.
draw_picture:
.scope
        inc FRAME_COUNT
        bne _ready
        inc FRAME_COUNT+1
_ready: lda DRAWING_READY
        bne _draw
        rts                             ; the main loop is late: the old picture stays for another frame

_draw:  lda #<VRAM_SPRITES
        sta VIDEO_CONTROL
        lda #>VRAM_SPRITES + VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        ldy #0
_sprites:
        lda SPRITES,y                   ; 4 cycles
        sta VIDEO_DATA                  ; 4
        iny                             ; 2
        cpy SPRITES_END                 ; 3
        bne _sprites                    ; 3: 16 in all

        lda #<VRAM_NAMES
        sta VIDEO_CONTROL
        lda #>VRAM_NAMES + VIDEO_TO_WRITE
        sta VIDEO_CONTROL
        ldy #0
_line:  lda STATUS_LINE,y
        sta VIDEO_DATA
        nop                             ; with it 17 cycles
        iny
        cpy #32
        bne _line

        ldy #0                          ; every tile of the queue goes to an address of its own
_tiles: cpy QUEUE_END
        beq _done
        lda QUEUE_LOW,y
        sta VIDEO_CONTROL
        lda QUEUE_HIGH,y
        sta VIDEO_CONTROL
        lda QUEUE_NAME,y
        sta VIDEO_DATA
        iny
        bra _tiles
_done:  stz QUEUE_END
        stz DRAWING_READY
        rts
.scend

; --- The main loop's part -----------------------------------------------------------------------------------------
; Wait until the interrupt has copied the last picture; its buffers are ours again then.
wait_until_drawn:
        lda DRAWING_READY
        bne wait_until_drawn
        rts

; Put tile A into the queue for column COLUMN, row ROW. Changes A, keeps X and Y. A full queue loses the tile, but
; nothing here asks for more than QUEUE_PLACES between two pictures.
queue_tile:
.scope
        phx
        ldx QUEUE_END
        cpx #QUEUE_PLACES
        bcs _full
        sta QUEUE_NAME,x
        jsr name_address
        lda SOURCE
        sta QUEUE_LOW,x
        lda SOURCE+1
        ora #VIDEO_TO_WRITE
        sta QUEUE_HIGH,x
        inc QUEUE_END
_full:  plx
        rts
.scend

; SOURCE := address in video memory of the name at COLUMN, ROW: VRAM_NAMES + 32 * ROW + COLUMN. Keeps X and Y.
name_address:
        lda ROW                         ; 32 * ROW: three bits end up in the low byte, the rest in the high byte
        lsr
        lsr
        lsr
        clc
        adc #>VRAM_NAMES
        sta SOURCE+1
        lda ROW
        asl
        asl
        asl
        asl
        asl
        ora COLUMN                      ; below 32: no carry
        sta SOURCE
        rts
