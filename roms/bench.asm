; Bench: what one burns first when ports and serial cards are plugged in. Port B counts half seconds on eight lamps;
; the serial line says who is there and sends back every byte it gets. Both work by interrupt: 100 a second from
; timer 1, one for each byte received. Runs on the bench machine M1, on either CPU.
;
; A byte costs 70 cycles from the interrupt to its end (81 with the timer's share) and 66 to send back. At 1 MHz the
; echo keeps up to 57 600 baud (173 cycles a byte). At 115 200 (86 cycles) bytes are still taken, but not sent back in
; time; at 230 400 (43 cycles) the serial card loses them.

.include "bench.inc"

.data
.org $0010
.space TICKS 1                  ; hundredths of a second down to the next half second
.space COUNT 1                  ; half seconds; what the lamps show
.space HEAD 1                   ; where the interrupt puts the next byte into QUEUE
.space TAIL 1                   ; where the main loop takes it out
.space SEEN 1                   ; status of the serial card, read once
.space KEPT 1                   ; X while a byte is put into the queue
.org $0200
.space QUEUE 256                ; bytes received and not yet sent back

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        lda #0
        sta COUNT
        sta HEAD
        sta TAIL
        sta PORTS_B
        lda #50
        sta TICKS
        lda #$FF
        sta PORTS_B_OUT

        lda #SERIAL_19200_8N1
        sta SERIAL_CONTROL
        lda #SERIAL_ON
        sta SERIAL_COMMAND

        lda #PORTS_FREE_RUN
        sta PORTS_CONTROL
        lda #<9998              ; every 9998 + 2 cycles: 100 times a second at 1 MHz
        sta PORTS_TIMER_LOW
        lda #>9998
        sta PORTS_TIMER_HIGH
        lda #PORTS_SET+PORTS_TIMER
        sta PORTS_ENABLE
        cli

        ldx #0
_greet: lda greeting,x
        beq main_loop
        jsr send
        inx
        bne _greet
.scend

; Send back what came. The queue is empty when TAIL has caught up with HEAD.
main_loop:
.scope
_wait:  ldx TAIL
        cpx HEAD
        beq _wait
        lda QUEUE,x
        inc TAIL
        jsr send
        jmp _wait
.scend

; Send the byte in A; keeps X. A read of the status ends the card's request, also one that came up in this very cycle
; and that the processor will never see. So whoever reads the status takes the byte that it announces, and no interrupt
; comes between.
send:
.scope
        pha
_busy:  sei
        lda SERIAL_STATUS
        sta SEEN
        and #SERIAL_RECEIVED
        beq _ready
        jsr take
_ready: cli
        lda SEEN
        and #SERIAL_READY
        beq _busy
        pla
        sta SERIAL_DATA
        rts
.scend

; Put the byte received into the queue; spoils A, keeps X. Interrupts are off.
take:
.scope
        stx KEPT
        ldx HEAD
        lda SERIAL_DATA
        sta QUEUE,x
        inc HEAD
        ldx KEPT
        rts
.scend

; Whoever asks is served; a byte first, as it cannot wait.
interrupt:
.scope
        pha
        lda SERIAL_STATUS
        and #SERIAL_RECEIVED
        beq _timer
        jsr take
_timer: bit PORTS_FLAGS
        bvc _done               ; bit 6: timer 1
        lda PORTS_TIMER_LOW
        dec TICKS
        bne _done
        lda #50
        sta TICKS
        inc COUNT
        lda COUNT
        sta PORTS_B
_done:  pla
nothing:
        rti
.scend

greeting:
        .byte "Bench M1 is ready.",13,10,0

.advance $FFFA,$FF
        .word nothing, reset, interrupt
