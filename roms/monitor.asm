; Monitor of the workshop machine (65C02 at 2 MHz): a line typed at the terminal is a command in words.
;
;   look 0400              eight bytes from there           look 0400 to 04ff     all of them
;   put 0400 a9 55         bytes into memory                go 0400               run it, until its RTS or a BRK
;   load                   Intel HEX records until the end record; ESC gives up
;   bank 3                 show that bank at 8000 to bfff   bank                  which one is it
;   lamps 81               light lamps                      help
;
; Numbers are hexadecimal. $0000 to $03FF is the monitor's own; programs begin at $0400.
;
; Bytes come in by interrupt. Bytes go out by timer 2: the serial part's own sign that it is ready for the next byte is
; always on, so the monitor waits one byte time after each (10 bits at 19 200 baud are 1042 cycles at 2 MHz).

.include "monitor.inc"

.alias BYTE_TIME  1060          ; cycles between two bytes sent
.alias LINE_LIMIT 78            ; characters a line may have
.alias ENTER      13
.alias LINE_FEED  10
.alias RUB_OUT    8
.alias DELETE     127
.alias ESCAPE     27
.alias COLON      $3A
.alias BLANK      $20
.alias FAULT_SIGN $21           ; an exclamation mark
.alias BREAK_FLAG %00010000     ; in the status register pushed by BRK, not in that of an interrupt

.data
.org $0010
.space HEAD 1                   ; where the interrupt puts the next byte into QUEUE
.space TAIL 1                   ; where `receive` takes it out
.space PLACE 2                  ; address that a command works at
.space LAST 2                   ; last address that `look` shows
.space NUMBER 2                 ; number just read
.space DIGITS 1                 ; how many digits it had
.space START 1                  ; where in LINE the word begins
.space TEXT 2                   ; text being said, or entry of the word list
.space ROUTINE 2                ; what the word means
.space SUM 1                    ; of all bytes of a record; 0 at its end
.space LENGTH 1                 ; data bytes left in a record
.space KIND 1                   ; its type
.space LOADED 2                 ; bytes stored
.space FAULTS 1                 ; records that were not taken
.space BANK 1                   ; what was last written to BANK_LATCH
.org $0200
.space QUEUE 256
.org $0300
.space LINE 80                  ; characters typed, 0 behind the last

.text
.org $C000

; --- Start -----------------------------------------------------------------------------------------------------------
reset:
        sei
        cld
        ldx #$FF
        txs
        stz HEAD
        stz TAIL
        stz BANK
        stz BANK_LATCH          ; nobody knows what it held
        stz PORTS_B
        lda #$FF
        sta PORTS_B_OUT
        stz PORTS_WAIT_LOW
        stz PORTS_WAIT_HIGH     ; runs out at once, so the first byte need not wait
        lda #SERIAL_19200_8N1
        sta SERIAL_CONTROL
        lda #SERIAL_ON
        sta SERIAL_COMMAND
        cli
        lda #<greeting
        ldy #>greeting
        jsr say

next_line:
        ldx #$FF
        txs
        lda #<question
        ldy #>question
        jsr say
        jsr read_line
        jsr obey
        bra next_line

; --- Words -----------------------------------------------------------------------------------------------------------
; Find the word in the list and do what it means, with X behind it in LINE.
obey:
.scope
        ldx #0
        jsr skip_blanks
        lda LINE,x
        beq _nothing
        stx START
        lda #<words
        sta TEXT
        lda #>words
        sta TEXT+1
_try:   ldx START
        ldy #0
        lda (TEXT),y
        beq _unknown
_same:  lda (TEXT),y
        beq _whole
        cmp LINE,x
        bne _other
        inx
        iny
        bra _same
_whole: lda LINE,x
        beq _found
        cmp #BLANK
        beq _found
_other: lda (TEXT),y            ; on to the end of this word
        beq _skip
        iny
        bra _other
_skip:  tya                     ; and past its 0 and its routine
        clc
        adc #3
        adc TEXT
        sta TEXT
        bcc _try
        inc TEXT+1
        bra _try
_found: iny
        lda (TEXT),y
        sta ROUTINE
        iny
        lda (TEXT),y
        sta ROUTINE+1
        jmp (ROUTINE)
_unknown:
        lda #<text_unknown
        ldy #>text_unknown
        jmp say
_nothing:
        rts
.scend

words:
        .byte "look",0
        .word look
        .byte "put",0
        .word put
        .byte "go",0
        .word go
        .byte "load",0
        .word load
        .byte "bank",0
        .word bank_word
        .byte "lamps",0
        .word lamps
        .byte "help",0
        .word help
        .byte 0

help:
        lda #<text_help
        ldy #>text_help
        jmp say

; look FROM, or look FROM to LAST: eight bytes a line. Any key ends it.
look:
.scope
        jsr read_number
        bcs _how
        lda NUMBER
        sta PLACE
        clc
        adc #7
        sta LAST
        lda NUMBER+1
        sta PLACE+1
        adc #0
        sta LAST+1
        bcc _to
        lda #$FF                ; the last bytes of memory
        sta LAST
        sta LAST+1
_to:    jsr skip_blanks
        lda LINE,x
        beq _line
        cmp #'t
        bne _how
        inx
        lda LINE,x
        cmp #'o
        bne _how
        inx
        jsr read_number
        bcs _how
        lda NUMBER
        sta LAST
        lda NUMBER+1
        sta LAST+1
_line:  lda PLACE+1
        jsr say_byte
        lda PLACE
        jsr say_byte
        lda #<text_holds
        ldy #>text_holds
        jsr say
        ldx #8
_byte:  lda #BLANK
        jsr send
        lda (PLACE)
        jsr say_byte
        lda PLACE
        cmp LAST
        bne _on
        lda PLACE+1
        cmp LAST+1
        beq _end
_on:    inc PLACE
        bne _same_page
        inc PLACE+1
        beq _end                ; behind FFFF
_same_page:
        dex
        bne _byte
        jsr new_line
        lda HEAD
        cmp TAIL
        beq _line
        rts
_end:   jmp new_line
_how:   lda #<text_how_look
        ldy #>text_how_look
        jmp say
.scend

; put FROM BYTE BYTE ...: what cannot be read back is told.
put:
.scope
        jsr read_number
        bcs _how
        lda NUMBER
        sta PLACE
        lda NUMBER+1
        sta PLACE+1
        jsr skip_blanks
        lda LINE,x
        beq _how
_byte:  jsr read_number
        bcs _how
        lda NUMBER+1
        bne _how                ; more than a byte
        lda NUMBER
        jsr store
        bcs _none
        jsr skip_blanks
        lda LINE,x
        bne _byte
        rts
_none:  lda #<text_no_memory
        ldy #>text_no_memory
        jsr say
        lda PLACE+1
        jsr say_byte
        lda PLACE
        jsr say_byte
        jmp new_line
_how:   lda #<text_how_put
        ldy #>text_how_put
        jmp say
.scend

; Store A at PLACE and move on; carry set, and PLACE left, when it cannot be read back.
store:
.scope
        sta (PLACE)
        cmp (PLACE)
        bne _none
        inc PLACE
        bne _done
        inc PLACE+1
_done:  clc
        rts
_none:  sec
        rts
.scend

; go ADDRESS: the program is called; its RTS comes back here.
go:
.scope
        jsr read_number
        bcs _how
        lda NUMBER
        sta PLACE
        lda NUMBER+1
        sta PLACE+1
        jsr _call
        cld
        cli
        lda #<text_back
        ldy #>text_back
        jmp say
_call:  jmp (PLACE)
_how:   lda #<text_how_go
        ldy #>text_how_go
        jmp say
.scend

; bank, or bank NUMBER.
bank_word:
.scope
        jsr skip_blanks
        lda LINE,x
        beq _tell
        jsr read_number
        bcs _how
        lda NUMBER+1
        bne _how
        lda NUMBER
        cmp #8
        bcs _how
        sta BANK
        sta BANK_LATCH
_tell:  lda #<text_bank
        ldy #>text_bank
        jsr say
        lda BANK
        jsr say_byte
        jmp new_line
_how:   lda #<text_how_bank
        ldy #>text_how_bank
        jmp say
.scend

; lamps BYTE
lamps:
.scope
        jsr read_number
        bcs _how
        lda NUMBER+1
        bne _how
        lda NUMBER
        sta PORTS_B
        rts
_how:   lda #<text_how_lamps
        ldy #>text_how_lamps
        jmp say
.scend

; --- Intel HEX -------------------------------------------------------------------------------------------------------
; A record is a colon and pairs of digits: length, address (two), type, data, and a byte that makes the sum 0.
; Type 0 is data, type 1 the end; others are counted as faults, as this machine has no addresses above FFFF.
load:
.scope
        lda #<text_load
        ldy #>text_load
        jsr say
        stz LOADED
        stz LOADED+1
        stz FAULTS
_record:
        jsr receive
        cmp #ESCAPE
        beq _given_up
        cmp #COLON
        bne _record
        stz SUM
        jsr pair
        bcs _bad
        sta LENGTH
        jsr pair
        bcs _bad
        sta PLACE+1
        jsr pair
        bcs _bad
        sta PLACE
        jsr pair
        bcs _bad
        sta KIND
        cmp #2
        bcs _bad
        ldx #0                  ; bytes in LINE: nothing is stored before the sum is right
_data:  cpx LENGTH
        beq _check
        jsr pair
        bcs _bad
        cpx #80
        bcs _bad                ; longer than any record in use
        sta LINE,x
        inx
        bra _data
_check: jsr pair
        bcs _bad
        lda SUM
        bne _bad
        lda KIND
        bne _end
        ldx #0
_store: cpx LENGTH
        beq _record
        lda LINE,x
        jsr store
        bcs _bad
        inc LOADED
        bne _count
        inc LOADED+1
_count: inx
        bra _store
_bad:   inc FAULTS
        lda #FAULT_SIGN
        jsr send
        bra _record
_given_up:
        lda #<text_given_up
        ldy #>text_given_up
        jsr say
_end:   lda #<text_loaded
        ldy #>text_loaded
        jsr say
        lda LOADED+1
        jsr say_byte
        lda LOADED
        jsr say_byte
        lda #<text_faults
        ldy #>text_faults
        jsr say
        lda FAULTS
        jsr say_byte
        jmp new_line
.scend

; Two digits from the line as a byte in A, added to SUM; carry set when they are none. Keeps X.
pair:
.scope
        jsr receive
        jsr digit
        bcs _done
        asl
        asl
        asl
        asl
        sta NUMBER
        jsr receive
        jsr digit
        bcs _done
        ora NUMBER
        pha
        clc
        adc SUM
        sta SUM
        pla
        clc
_done:  rts
.scend

; --- Numbers ---------------------------------------------------------------------------------------------------------
; Read a number from LINE at X into NUMBER; X moves behind it. Carry set when there is none, or more than four digits.
read_number:
.scope
        jsr skip_blanks
        stz NUMBER
        stz NUMBER+1
        stz DIGITS
_digit: lda LINE,x
        beq _end
        cmp #BLANK
        beq _end
        jsr digit
        bcs _none
        inc DIGITS
        ldy #4
_shift: asl NUMBER
        rol NUMBER+1
        dey
        bne _shift
        ora NUMBER
        sta NUMBER
        inx
        bra _digit
_end:   lda DIGITS
        beq _none
        cmp #5
        bcs _none
        clc
        rts
_none:  sec
        rts
.scend

; Value of the hexadecimal digit in A; carry set when it is none. Keeps X and Y.
digit:
.scope
        cmp #'0
        bcc _none
        cmp #$3A                ; behind 9
        bcs _letter
        and #$0F
        clc
        rts
_letter:
        ora #$20                ; small and capital letters alike
        cmp #'a
        bcc _none
        cmp #'g
        bcs _none
        sbc #$56                ; 'a is 10; the carry is clear
        clc
        rts
_none:  sec
        rts
.scend

skip_blanks:
.scope
_next:  lda LINE,x
        cmp #BLANK
        bne _done
        inx
        bra _next
_done:  rts
.scend

; --- The line --------------------------------------------------------------------------------------------------------
; A line into LINE, in small letters, shown as it is typed; backspace and delete rub out.
read_line:
.scope
        ldx #0
_next:  jsr receive
        cmp #ENTER
        beq _end
        cmp #RUB_OUT
        beq _rub
        cmp #DELETE
        beq _rub
        cmp #BLANK
        bcc _next
        cpx #LINE_LIMIT
        bcs _next
        jsr send
        cmp #'A
        bcc _keep
        cmp #$5B                ; behind Z
        bcs _keep
        ora #$20
_keep:  sta LINE,x
        inx
        bra _next
_rub:   cpx #0
        beq _next
        dex
        lda #RUB_OUT
        jsr send
        lda #BLANK
        jsr send
        lda #RUB_OUT
        jsr send
        bra _next
_end:   stz LINE,x
        jmp new_line
.scend

; The next byte received; waits for it. Keeps X and Y.
receive:
.scope
        phx
_wait:  ldx TAIL
        cpx HEAD
        beq _wait
        lda QUEUE,x
        inc TAIL
        plx
        rts
.scend

; Send the byte in A; keeps A, X and Y.
send:
.scope
        pha
        lda #PORTS_WAITED
_wait:  bit PORTS_FLAGS
        beq _wait
        lda #<BYTE_TIME
        sta PORTS_WAIT_LOW
        pla
        sta SERIAL_DATA
        pha
        lda #>BYTE_TIME
        sta PORTS_WAIT_HIGH
        pla
        rts
.scend

new_line:
        lda #ENTER
        jsr send
        lda #LINE_FEED
        jmp send

say_byte:
.scope
        pha
        lsr
        lsr
        lsr
        lsr
        jsr _one
        pla
        and #$0F
_one:   cmp #10
        bcc _figure
        adc #$26                ; the carry is set: 10 becomes 'a
_figure:
        adc #'0
        jmp send
.scend

; Say the text at A (low), Y (high); keeps X.
say:
.scope
        sta TEXT
        sty TEXT+1
_next:  lda (TEXT)
        beq _done
        jsr send
        inc TEXT
        bne _next
        inc TEXT+1
        bra _next
_done:  rts
.scend

; --- Interrupt -------------------------------------------------------------------------------------------------------
; A byte received goes into the queue. A BRK in a program ends the program.
interrupt:
.scope
        pha
        phx
        tsx
        lda $0103,x             ; the status register as pushed, below X and A
        and #BREAK_FLAG
        bne _break
        lda SERIAL_STATUS
        and #SERIAL_RECEIVED
        beq _done
        ldx HEAD
        lda SERIAL_DATA
        sta QUEUE,x
        inc HEAD
_done:  plx
        pla
        rti
_break: sec
        lda $0104,x             ; the address pushed is two behind the BRK
        sbc #2
        sta PLACE
        lda $0105,x
        sbc #0
        sta PLACE+1
        cld
        cli
        lda #<text_break
        ldy #>text_break
        jsr say
        lda PLACE+1
        jsr say_byte
        lda PLACE
        jsr say_byte
        jsr new_line
        jmp next_line
.scend

nothing:
        rti

greeting:
        .byte 13,10,"Workshop machine. Type help for the list of words.",13,10,0
question:
        .byte "Do: ",0
text_holds:
        .byte " holds",0
text_back:
        .byte "The program came back.",13,10,0
text_break:
        .byte "The program stopped at a BRK at ",0
text_unknown:
        .byte "Not in the list of words. Type help.",13,10,0
text_no_memory:
        .byte "There is no memory to write to at ",0
text_load:
        .byte "Send Intel HEX records; ESC gives up.",13,10,0
text_given_up:
        .byte "Given up. ",0
text_loaded:
        .byte "Bytes stored: ",0
text_faults:
        .byte ", records not taken: ",0
text_bank:
        .byte "Bank at 8000 to bfff: ",0
text_how_look:
        .byte "Write look 0400, or look 0400 to 04ff.",13,10,0
text_how_put:
        .byte "Write put 0400 a9 55, an address and bytes.",13,10,0
text_how_go:
        .byte "Write go 0400.",13,10,0
text_how_bank:
        .byte "Banks are 0 to 7: write bank 3.",13,10,0
text_how_lamps:
        .byte "Write lamps 81, a byte.",13,10,0
text_help:
        .byte "look 0400 to 04ff   what memory holds",13,10
        .byte "put 0400 a9 55 60   bytes into memory",13,10
        .byte "go 0400             run a program; it ends with RTS or BRK",13,10
        .byte "load                take a program in Intel HEX",13,10
        .byte "bank 3              show that bank at 8000 to bfff",13,10
        .byte "lamps 81            light lamps",13,10
        .byte "All numbers are hexadecimal; 0000 to 03ff are taken.",13,10,0

.advance $FFFA,$FF
        .word nothing, reset, interrupt
