; Slug Watch: a night in the vegetable beds, for one or two gardeners. Runs on Marlpit (65C02 at 2 MHz).
;
; Slugs creep out of the hedge towards the lettuces and eat them bite by bite. Walk to a slug and press A: it goes
; into the bucket. Fill the level's quota and the next night is faster; let the bed fall below eight lettuces and
; the society's salad is lost. A hedgehog comes by now and then: it eats slugs, and likes to be stroked (A).
;
; How the program is built:
;   the main loop      once a picture: read pads and keys, apply the rules, write down what the picture should be
;   the interrupt      once a picture, just below its last line: copy what was written down into the video card
; Main loop and interrupt meet in one byte, DRAWING_READY: the main loop sets it when the next picture is written
; down, the interrupt clears it when it has been copied. Neither touches the other's work in between.
;
; The parts:
;   slug-watch/memory.asm    where every variable is
;   slug-watch/video.asm     the video card: set-up, the interrupt's copying, drawing while the picture is off
;   slug-watch/input.asm     pads, keyboard, chance
;   slug-watch/screens.asm   title, garden, status line, messages
;   slug-watch/game.asm      the run of a game: states, levels, scores, what the gardeners do
;   slug-watch/animals.asm   slugs and hedgehog
;   slug-watch/sprites.asm   who is shown where: the sprite list of a picture
;   slug-watch/tiles.asm, drawings.asm   the pictures themselves
;   drivers/font.asm, slug-watch/big-letters.asm   the letters of all our programs, and how the title makes them big

.include "marlpit.inc"
.include "slug-watch/memory.asm"

.text
.org $8000

; --- Start --------------------------------------------------------------------------------------------------------
; After RESET nothing is known: RAM holds noise, the stack pointer is anywhere, the video card may be in the middle of
; a control pair. So everything is set here, once, before interrupts are allowed.
reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        ldx #0                          ; RAM from $0000 to $03FF to zero, which also empties the stack page
_clear: stz $0000,x
        stz $0100,x
        stz $0200,x
        stz $0300,x
        inx
        bne _clear
        jsr video_start
        jsr load_tiles
        jsr load_sprites
        jsr show_title                  ; ends with the picture on and interrupts allowed
.scend

; --- Main loop ----------------------------------------------------------------------------------------------------
main_loop:
        jsr wait_until_drawn
        jsr read_inputs
        lda GAME_STATE
        asl
        tax
        jsr run_state
        jsr list_sprites
        jsr write_status_line
        lda #1
        sta DRAWING_READY
        bra main_loop

run_state:
        jmp (state_routines,x)          ; which returns to the main loop

state_routines:
        .word title_state, playing_state, level_clear_state, game_over_state, paused_state

; --- Interrupts ---------------------------------------------------------------------------------------------------
; Keyboard and video pull the same line, so the handler asks who it was, the keyboard first. The order matters: the
; video status is only read when the keyboard has nothing. Reading it at the very moment the frame flag comes up can
; swallow the flag, and a picture would be lost; read only when it is the one that called, that cannot happen. Should
; both call, the second is still waiting when the first has been served, and the handler runs again at once.
; The 65C02 clears the decimal flag by itself on the way in; A, X and Y are ours to keep.
interrupt:
.scope
        pha
        phx
        phy
        lda KEYBOARD_STATUS
        and #KEYBOARD_READY
        beq _video
        jsr take_key
        bra _done
_video: lda VIDEO_STATUS                ; also ends the video card's call
        bpl _done                       ; VIDEO_FRAME is bit 7
        jsr draw_picture
_done:  ply
        plx
        pla
.scend
not_used:                               ; NMI is not wired on Marlpit
        rti

.include "slug-watch/video.asm"
.include "slug-watch/input.asm"
.include "slug-watch/screens.asm"
.include "slug-watch/game.asm"
.include "slug-watch/animals.asm"
.include "slug-watch/sprites.asm"
.include "drivers/font.asm"
.include "slug-watch/big-letters.asm"
.include "slug-watch/tiles.asm"
.include "slug-watch/drawings.asm"

; --- Vectors ------------------------------------------------------------------------------------------------------
; The rest of the EPROM stays $FF, as erased: nothing to burn there.
.advance $FFFA, $FF
        .word not_used, reset, interrupt
