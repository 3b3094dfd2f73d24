; Pad tester: burn this first when the pad card is new. It shows the byte of each socket as it is read, the buttons it
; stands for, which of them have ever been seen, and how often two reads that followed each other differed. Runs on
; Marlpit (65C02 at 2 MHz).
;
; What to look for:
;   press A: another button shows          the order of the bits is turned round, or all are one place off
;   press A: the other pad shows it        the outputs of the demultiplexer are exchanged
;   all buttons held with no pad           no pull-up on the data line, or the sense is turned round
;   some buttons never seen                pad clock from the wrong output of the counter, or too fast for the pad
;   all buttons go down together           latch and clock wires exchanged: the first button shows in every place
;   "unlike" counts while nothing moves    the byte changes while it is read

.include "marlpit.inc"

.alias PAD_LINES        8               ; from one pad's first line to the other's
.alias PAD_LINE         3

.data page_zero
.org $0010
.data tables
.org $0200

.data page_zero
.space PAD 1                            ; 0 or 1: the pad that is shown
.space PAD_Y 1                          ; its first line
.space BUTTON 1                         ; bits of the buttons that are shown
.space NAME 1                           ; number of the name that is the next
.space SEEN_1 1                         ; buttons that have been down
.space SEEN_2 1
.space UNLIKE_1 1                       ; reads that differed from the one before them, 4 cycles earlier
.space UNLIKE_2 1
.space PRESSES_1 1                      ; buttons gone down, counted
.space PRESSES_2 1

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        jsr screen_start
        jsr pads_start
        lda #$FF
        sta PADS_RAW_1
        sta PADS_RAW_2
        stz SEEN_1
        stz SEEN_2
        stz UNLIKE_1
        stz UNLIKE_2
        stz PRESSES_1
        stz PRESSES_2
        ldx #1
        ldy #0
        jsr screen_at
        lda #<title
        ldy #>title
        jsr screen_print
.scend

main_loop:
.scope
        ldx #0
        jsr show_pad
        ldx #1
        jsr show_pad
        bra main_loop
.scend

; Read pad X and show it: four lines.
show_pad:
.scope
        stx PAD
        lda #PAD_LINE
        cpx #0
        beq _first
        lda #PAD_LINE+PAD_LINES
_first: sta PAD_Y

        lda PADS_PORT_1,x               ; two reads, one right after the other
        cmp PADS_PORT_1,x
        beq _alike
        inc UNLIKE_1,x
        bne _alike
        dec UNLIKE_1,x                  ; stays at 255
_alike: jsr pads_read_one
        ldx PAD
        lda PADS_HELD_1,x
        ora SEEN_1,x
        sta SEEN_1,x
        lda PADS_PRESSED_1,x
_count: asl                             ; each bit that falls out is a button that went down
        bcc _no
        inc PRESSES_1,x
_no:    bne _count

        ldx #1
        ldy PAD_Y
        jsr screen_at
        lda #<pad_label
        ldy #>pad_label
        jsr screen_print
        lda PAD
        clc
        adc #'1
        jsr screen_put
        lda #<reads_label
        ldy #>reads_label
        jsr screen_print
        ldx PAD
        lda PADS_RAW_1,x
        jsr screen_hex
        lda #<binary_label
        ldy #>binary_label
        jsr screen_print
        ldx PAD
        lda PADS_RAW_1,x
        jsr screen_binary

        ldx #1
        ldy PAD_Y
        iny
        iny
        jsr screen_at
        lda #<held_label
        ldy #>held_label
        jsr screen_print
        ldx PAD
        lda PADS_HELD_1,x
        jsr show_names

        ldx #1
        ldy PAD_Y
        iny
        iny
        iny
        jsr screen_at
        lda #<seen_label
        ldy #>seen_label
        jsr screen_print
        ldx PAD
        lda SEEN_1,x
        jsr show_names

        ldx #1
        lda PAD_Y
        clc
        adc #4
        tay
        jsr screen_at
        lda #<presses_label
        ldy #>presses_label
        jsr screen_print
        ldx PAD
        lda PRESSES_1,x
        jsr screen_hex
        lda #<unlike_label
        ldy #>unlike_label
        jsr screen_print
        ldx PAD
        lda UNLIKE_1,x
        jmp screen_hex
.scend

; Show the names of the buttons whose bits are set in A, each in its own place.
show_names:
.scope
        sta BUTTON
        stz NAME
        ldx #0
_next:  ldy NAME
        lda button_masks,y
        and BUTTON
        bne _name
_blank: lda #$20
        jsr screen_put
        inx
        lda button_names-1,x            ; a name ends with a space
        cmp #$20
        bne _blank
        bra _step
_name:  lda button_names,x
        jsr screen_put
        inx
        cmp #$20
        bne _name
_step:  inc NAME
        cpx #button_names_end-button_names
        bne _next
        rts
.scend

interrupt:                              ; none is allowed
        rti

title:          .byte "PAD TEST", 0
pad_label:      .byte "Pad ", 0
reads_label:    .byte " reads ", 0
binary_label:   .byte ", in bits ", 0
held_label:     .byte "held ", 0
seen_label:     .byte "seen ", 0
presses_label:  .byte "presses ", 0
unlike_label:   .byte ", unlike ", 0
button_names:   .byte "a b sel start up down left right "
button_names_end:
button_masks:   .byte PAD_A, PAD_B, PAD_SELECT, PAD_START, PAD_UP, PAD_DOWN, PAD_LEFT, PAD_RIGHT

.include "drivers/text-screen.asm"
.include "drivers/pads.asm"
.include "drivers/font.asm"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
