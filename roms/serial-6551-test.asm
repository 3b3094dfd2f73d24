; Serial test: what one burns first for a 6551 card, on the bench machine M1 and either CPU. It says hello at 19 200 baud,
; tells which sort of part is in the socket, and sends back what is typed. No interrupt, no other card is needed.
;
; The later W65C51N says that it is ready for the next byte at any time, and a byte stored too soon spoils the one before.
; The test finds out: two bytes are stored one behind the other; a sound part is busy with them. On the later part every
; byte is followed by a wait of one byte time, 10 bits (521 cycles at 1 MHz), the maker's own advice.
; A byte that came damaged, or behind one that was lost, is sent back with a question mark before it; so on the later part
; a text pasted at full speed shows gaps, because there sending takes a little longer than receiving.

.include "bench.inc"

.alias BOTH_WAYS  $0B           ; RTS and DTR low: transmitter and receiver are on; no interrupts
.alias DAMAGED    %00000111     ; parity, framing, overrun
.alias BYTE_LOOPS 105           ; of five cycles: a byte time

.data
.org $0010
.space PART 1                   ; 0: its ready sign can be believed
.space SEEN 1                   ; status, read once: the read may change it

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        sta SERIAL_STATUS       ; programmed reset, whatever A is
        lda #SERIAL_19200_8N1
        sta SERIAL_CONTROL
        lda #BOTH_WAYS          ; DTR too: on most parts the transmitter rests without it
        sta SERIAL_COMMAND

        lda #0                  ; characters that a terminal does not show
        sta SERIAL_DATA
_first: lda SERIAL_STATUS       ; the first moves on into the shift register
        and #SERIAL_READY
        beq _first
        lda #0
        sta SERIAL_DATA         ; the second must wait there
        lda SERIAL_STATUS
        and #SERIAL_READY
        sta PART
        jsr byte_time
        jsr byte_time

        ldx #hello-texts
        jsr say
        ldx #sound-texts
        lda PART
        beq _told
        ldx #later-texts
_told:  jsr say
        lda SERIAL_DATA         ; what came while we said hello is lost: nobody has read it

_wait:  lda SERIAL_STATUS
        sta SEEN
        and #SERIAL_RECEIVED
        beq _wait
        lda SEEN
        and #DAMAGED
        beq _whole
        lda #'?
        jsr send
_whole: lda SERIAL_DATA
        jsr send
        jmp _wait
.scend

; Say the text that begins X bytes behind `texts`.
say:
.scope
_next:  lda texts,x
        beq _done
        jsr send
        inx
        bne _next
_done:  rts
.scend

; Send the byte in A, as the part in the socket wants it; keeps X.
send:
.scope
        ldy PART
        beq _sound
        sta SERIAL_DATA
        jmp byte_time
_sound: pha
_busy:  lda SERIAL_STATUS
        and #SERIAL_READY
        beq _busy
        pla
        sta SERIAL_DATA
        rts
.scend

byte_time:
.scope
        ldy #BYTE_LOOPS
_loop:  dey
        bne _loop
        rts
.scend

nothing:
        rti

texts:
hello:  .byte "Serial test, 19200 baud.",13,10,0
sound:  .byte "The ready sign works.",13,10,0
later:  .byte "The ready sign is always on: I wait a byte time.",13,10,0

.advance $FFFA,$FF
        .word nothing, reset, nothing
