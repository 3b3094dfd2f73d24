; The clubhouse catalogue: what is in the seed drawers. Runs on Marlpit (65C02 at 2 MHz), in text mode, with the keyboard
; served by interrupts.
;
; Type a line and press Enter:
;   ADD sweet peas, mixed      a new entry; it gets the next number
;   LIST                       all entries; arrows up and down turn the pages
;   FIND pea                   the entries that hold these letters, small or capital
; Anything else is looked for, as with FIND. Escape empties the line.
;
; The entries lie in RAM, 32 bytes each, and are gone when the power goes.

.include "marlpit.inc"

.alias ENTRY_BYTES      32              ; 31 characters at most and a zero
.alias ENTRIES_MAX      99
.alias ENTRIES          $1000           ; the first of them; the last ends below $1C60
.alias LINE_MAX         35              ; with ADD in front the longest entry
.alias LIST_LINE        2
.alias LIST_LINES       16
.alias MESSAGE_LINE     20
.alias INPUT_LINE       22
.alias CURSOR           $7F             ; a block
.alias PROMPT_LENGTH    4

.data page_zero
.org $0010
.data tables
.org $0200

.data page_zero
.space ENTRY_COUNT 1
.space LINE_LENGTH 1
.space LIST_FIRST 1                     ; number of entries that are passed over before the first one shown
.space LIST_LEFT 1                      ; of them still to be passed over
.space LIST_NUMBER 1                    ; entry looked at, from 0
.space LIST_PLACE 1                     ; line of the list to fill next
.space LIST_FOUND 1                     ; entries that match, shown or not
.space ENTRY 2                          ; address of the entry looked at
.space FIND_AT 1                        ; place in the entry where the comparison begins
.space LOST_SHOWN 1                     ; KEYS_LOST when it was last shown
.data tables
.space LINE 40                          ; what is being typed, zero at its end
.space FIND 40                          ; what is looked for, in capitals, zero at its end; empty: everything

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        jsr screen_start
        stz KEY_PUT
        stz KEY_GET
        stz KEY_LOSING
        jsr key_start
        stz ENTRY_COUNT
        stz LOST_SHOWN
        stz LIST_FIRST
        stz FIND
        jsr first_entries
        ldx #1
        ldy #0
        jsr screen_at
        lda #<title
        ldy #>title
        jsr screen_print
        jsr empty_line
        jsr show_list
        lda #<hello
        ldy #>hello
        jsr show_message
        cli
.scend

main_loop:
.scope
        jsr key_next
        bcc _lost
        lda KEY_CHARACTER
        beq main_loop
        jsr take_character
        bra main_loop
_lost:  lda KEYS_LOST                   ; nothing to do: is there something to confess?
        cmp LOST_SHOWN
        beq main_loop
        sta LOST_SHOWN
        lda #<sorry_lost
        ldy #>sorry_lost
        jsr show_message
        bra main_loop
.scend

interrupt:
.scope
        pha
        phx
        jsr key_interrupt
        plx
        pla
        rti
.scend

not_used:                               ; NMI is not wired on Marlpit
        rti

; --- The line that is being typed ---------------------------------------------------------------------------------
take_character:
.scope
        cmp #13
        bne _no_enter
        jmp obey
_no_enter:
        cmp #8
        beq _back
        cmp #27
        beq empty_line
        cmp #KEY_UP_ARROW
        beq page_up
        cmp #KEY_DOWN_ARROW
        beq page_down
        cmp #$20
        bcc _end
        cmp #$7F
        bcs _end
        ldx LINE_LENGTH
        cpx #LINE_MAX
        bcs _end
        sta LINE,x
        stz LINE+1,x
        inc LINE_LENGTH
        pha
        jsr line_cursor
        pla
        jsr screen_put
        lda #CURSOR
        jmp screen_put
_back:  lda LINE_LENGTH
        beq _end
        dec LINE_LENGTH
        ldx LINE_LENGTH
        stz LINE,x
        jsr line_cursor
        lda #CURSOR
        jsr screen_put
        lda #$20
        jmp screen_put
_end:   rts
.scend

; Screen cursor to place X of the line, behind the prompt.
line_cursor:
        txa
        clc
        adc #PROMPT_LENGTH
        tax
        ldy #INPUT_LINE
        jmp screen_at

empty_line:
        stz LINE_LENGTH
        stz LINE
        ldx #0
        ldy #INPUT_LINE
        jsr screen_at
        lda #<prompt
        ldy #>prompt
        jsr screen_print
        lda #CURSOR
        jsr screen_put
        lda #$20
        ldx #LINE_MAX
        jmp screen_repeat

page_up:
.scope
        lda LIST_FIRST
        sec
        sbc #LIST_LINES
        bcs _store
        lda #0
_store: sta LIST_FIRST
        jmp show_list
.scend

page_down:
.scope
        lda LIST_FIRST
        clc
        adc #LIST_LINES
        cmp LIST_FOUND
        bcs _end
        sta LIST_FIRST
        jmp show_list
_end:   rts
.scend

; --- Commands -----------------------------------------------------------------------------------------------------
; Enter: the first word decides.
obey:
.scope
        ldx #<word_add
        ldy #>word_add
        jsr begins_with
        bcs _add
        ldx #<word_find
        ldy #>word_find
        jsr begins_with
        bcs _find
        ldx #<word_list
        ldy #>word_list
        jsr begins_with
        bcs _list
        ldx #0                          ; no command: look for all of it
_find:  jsr set_find
        jsr empty_line
        stz LIST_FIRST
        jsr show_list
        lda #<found
        ldy #>found
        jsr show_message
        lda LIST_FOUND
        jmp screen_decimal
_list:  stz LINE,x                      ; nothing to look for: everything
        bra _find
_add:   lda LINE,x
        beq _empty
        lda ENTRY_COUNT
        cmp #ENTRIES_MAX
        beq _full
        jsr entry_address
        ldy #0
_copy:  lda LINE,x
        sta (ENTRY),y
        beq _copied
        inx
        iny
        cpy #ENTRY_BYTES-1
        bne _copy
        lda #0
        sta (ENTRY),y
_copied:
        inc ENTRY_COUNT
        stz FIND
        jsr empty_line
        lda ENTRY_COUNT                 ; show the page on which it stands
        dec
        and #%11110000                  ; LIST_LINES is 16
        sta LIST_FIRST
        jsr show_list
        lda #<added
        ldy #>added
        jsr show_message
        lda ENTRY_COUNT
        jmp screen_decimal
_full:  lda #<no_room
        ldy #>no_room
        jmp show_message
_empty: lda #<nothing
        ldy #>nothing
        jmp show_message
.scend

; Whether the line begins with the word at Y:X (high:low), which ends with a zero, and a space or the end of the line
; behind it. Carry set: it does, and X is where the rest begins.
begins_with:
.scope
        stx SCREEN_FROM
        sty SCREEN_FROM+1
        ldx #0
        ldy #0
_next:  lda (SCREEN_FROM),y
        beq _word_ends
        sta SCREEN_TEMP
        lda LINE,x
        jsr capital
        cmp SCREEN_TEMP
        bne _no
        inx
        iny
        bra _next
_word_ends:
        lda LINE,x
        beq _yes
        cmp #$20
        bne _no
_spaces:
        inx
        lda LINE,x
        cmp #$20
        beq _spaces
_yes:   sec
        rts
_no:    clc
        rts
.scend

; FIND := the line from X on, in capitals.
set_find:
.scope
        ldy #0
_next:  lda LINE,x
        jsr capital
        sta FIND,y
        beq _end
        inx
        iny
        bra _next
_end:   rts
.scend

; A as a capital letter. Keeps X and Y.
capital:
.scope
        jsr key_is_letter
        bcc _end
        and #%11011111
_end:   cmp #0
        rts
.scend

; --- Entries ------------------------------------------------------------------------------------------------------
; ENTRY := address of entry A, from 0. Keeps X and Y.
entry_address:
        sta ENTRY
        lda #0
        asl ENTRY                       ; times 32
        rol
        asl ENTRY
        rol
        asl ENTRY
        rol
        asl ENTRY
        rol
        asl ENTRY
        rol
        adc #>ENTRIES                   ; the carry is clear: 99 * 32 is less than 65536
        sta ENTRY+1
        rts

; Copy the entries that every clubhouse has.
first_entries:
.scope
        lda #<stock
        sta SCREEN_FROM
        lda #>stock
        sta SCREEN_FROM+1
_entry: lda (SCREEN_FROM)
        beq _end
        lda ENTRY_COUNT
        jsr entry_address
        ldy #0
_copy:  lda (SCREEN_FROM),y
        sta (ENTRY),y
        beq _next
        iny
        bra _copy
_next:  iny
        tya
        clc
        adc SCREEN_FROM
        sta SCREEN_FROM
        bcc _same
        inc SCREEN_FROM+1
_same:  inc ENTRY_COUNT
        bra _entry
_end:   rts
.scend

; Whether the entry at ENTRY holds FIND: carry set when it does.
entry_matches:
.scope
        stz FIND_AT
_from:  ldy FIND_AT
        ldx #0
_next:  lda FIND,x
        beq _yes                        ; all letters found
        sta SCREEN_TEMP
        lda (ENTRY),y
        beq _no                         ; the entry ends first
        jsr capital
        cmp SCREEN_TEMP
        bne _on
        inx
        iny
        bra _next
_on:    inc FIND_AT
        bra _from
_yes:   sec
        rts
_no:    clc
        rts
.scend

; Show the page of matching entries that begins after LIST_FIRST of them. LIST_FOUND counts all of them.
show_list:
.scope
        lda LIST_FIRST
        sta LIST_LEFT
        stz LIST_FOUND
        stz LIST_NUMBER
        lda #LIST_LINE
        sta LIST_PLACE
_entry: lda LIST_NUMBER
        cmp ENTRY_COUNT
        bcs _rest
        jsr entry_address
        jsr entry_matches
        bcc _next
        inc LIST_FOUND
        lda LIST_LEFT
        beq _show
        dec LIST_LEFT
        bra _next
_show:  ldy LIST_PLACE
        cpy #LIST_LINE+LIST_LINES
        bcs _next                       ; the page is full; go on counting
        ldx #0
        jsr screen_at
        jsr show_entry
        inc LIST_PLACE
_next:  inc LIST_NUMBER
        bra _entry
_rest:  ldy LIST_PLACE                  ; lines left over
        cpy #LIST_LINE+LIST_LINES
        bcs _end
        ldx #0
        jsr screen_at
        lda #$20
        ldx #40
        jsr screen_repeat
        inc LIST_PLACE
        bra _rest
_end:   rts
.scend

; Show entry LIST_NUMBER at the cursor: its number, its text, spaces to the end of the line.
show_entry:
.scope
        lda LIST_NUMBER
        inc
        cmp #10
        bcs _two
        pha
        lda #$20
        jsr screen_put
        pla
_two:   jsr screen_decimal
        lda #$20
        jsr screen_put
        jsr screen_put
        ldy #0
_text:  lda (ENTRY),y
        beq _rest
        jsr screen_put
        iny
        bra _text
_rest:  cpy #36
        bcs _end
        lda #$20
        jsr screen_put
        iny
        bra _rest
_end:   rts
.scend

; Show the text at Y:A on the message line, which is emptied first. Leaves the cursor behind the text.
show_message:
.scope
        pha
        phy
        ldx #0
        ldy #MESSAGE_LINE
        jsr screen_at
        lda #$20
        ldx #40
        jsr screen_repeat
        ldx #1
        ldy #MESSAGE_LINE
        jsr screen_at
        ply
        pla
        jmp screen_print
.scend

title:          .byte "SEED DRAWERS", 0
prompt:         .byte "Do: ", 0
hello:          .byte "ADD, LIST, FIND, then Enter", 0
found:          .byte "found: ", 0
added:          .byte "added as number ", 0
no_room:        .byte "the catalogue is full", 0
nothing:        .byte "ADD what?", 0
sorry_lost:     .byte "keys were lost, please look again", 0
word_add:       .byte "ADD", 0
word_find:      .byte "FIND", 0
word_list:      .byte "LIST", 0

stock:          .byte "broad beans", 0
                .byte "runner beans, red flower", 0
                .byte "sugar peas", 0
                .byte "marrow, green striped", 0
                .byte "beetroot, round", 0
                .byte "winter lettuce", 0
                .byte 0

.include "drivers/text-screen.asm"
.include "drivers/keyboard.asm"
.include "drivers/keyboard-interrupt.asm"
.include "drivers/font.asm"

.advance $FFFA, $FF
        .word not_used, reset, interrupt
