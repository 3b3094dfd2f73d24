; A keyboard on two pins of a 6522, without a card of its own: CLOCK on CA1, DATA on PA7; bench machine M1, either CPU.
; Every code that the keyboard sends goes out on the serial line in hex, with a blank behind it.
;
; CA1 takes each falling edge of the clock, and the interrupt moves the bit on PA7 into CODE: eleven bits to a frame, first
; a 0, then the code, low bit first, then parity (an odd number of ones), then a 1. IBM, Technical Reference, Personal
; Computer AT (5170), 1984, p. 4-12. A bit comes every 60 to 100 microseconds, so the interrupt must be done in 60 cycles,
; with the 7 of its entry and up to 6 that it waits for. It takes 43 with its entry, and 66 after the last bit, when the
; keyboard rests. Parity is not looked at here.
; A frame that was cut short leaves the count wrong; so the main loop sets it right when no bit has come for long.

.include "bench.inc"

.alias CALLED     %00000010     ; flag and enable bit of CA1
.alias QUIET      $0B           ; serial: on, no interrupts

.data
.org $0010
.space CODE 1                   ; bits come in at its top
.space LEFT 1                   ; bits left of the frame
.space HEAD 1                   ; where the next code goes in QUEUE
.space TAIL 1                   ; where the main loop takes it out
.space SAVED_X 1
.space BEFORE 1                 ; LEFT as the main loop saw it
.org $0200
.space QUEUE 256

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        lda #SERIAL_19200_8N1
        sta SERIAL_CONTROL
        lda #QUIET
        sta SERIAL_COMMAND
        lda #0
        sta HEAD
        sta TAIL
        sta CODE
        sta PORTS_A
        sta PORTS_EDGES         ; CA1 listens to falls
        lda #$7F                ; pins joined to nothing are outputs, so that they do not float
        sta PORTS_A_OUT
        lda #11
        sta LEFT
        sta BEFORE
        lda #PORTS_SET+CALLED
        sta PORTS_ENABLE
        cli

; LEFT that stays the same for 256 rounds of the loop (3.6 milliseconds) inside a frame: the rest will not come.
_start: ldx #0
_wait:  ldy TAIL
        cpy HEAD
        bne _show
        lda LEFT
        cmp BEFORE
        sta BEFORE
        bne _start
        dex
        bne _wait
        lda #11
        sta LEFT
        bne _start

_show:  lda QUEUE,y
        inc TAIL
        pha
        lsr
        lsr
        lsr
        lsr
        jsr digit
        pla
        and #$0F
        jsr digit
        lda #$20
        jsr send
        jmp _start
.scend

; Send the hex digit A.
digit:
        tax
        lda digits,x
send:
.scope
        pha
_busy:  lda SERIAL_STATUS
        and #SERIAL_READY
        beq _busy
        pla
        sta SERIAL_DATA
        rts
.scend

interrupt:
.scope
        pha
        lda LEFT
        cmp #3                  ; 11 start, 10 to 3 data, 2 parity, 1 stop
        lda PORTS_A             ; clears CA1's flag; the carry stays
        bcc _late
        asl                     ; DATA into the carry
        ror CODE                ; the start bit falls out at the other end after the last data bit
        dec LEFT
_done:  pla
nothing:
        rti

_late:  dec LEFT
        bne _done
        lda #11
        sta LEFT
        stx SAVED_X
        ldx HEAD
        lda CODE
        sta QUEUE,x
        inc HEAD
        ldx SAVED_X
        pla
        rti
.scend

digits: .byte "0123456789ABCDEF"

.advance $FFFA,$FF
        .word nothing, reset, interrupt
