; Ports test: what one burns first for a 6522 card, on the bench machine M1 and either CPU. Six lamps on port B blink,
; first by a delay loop, then, when interrupts work, they count half seconds. Six lamps on port A tell what works:
;
;   PA0  the pins of port A are what was put out       PA3  a byte leaves the shift register
;   PA1  timer 1 runs out in the very cycle           PA4  its clock gives eight pulses (jumper from CB1 to PB6)
;   PA2  timer 2 likewise                             PA5  timer 1 interrupts, and IRQ reaches the processor
;
; Afterwards PB7 is a square wave of 50 Hz from timer 1 and CB2 sends the count at each step, for a scope.
; A time-out comes two cycles after the count has come to 0: Western Design Center, W65C22S data sheet, Figure 2-3.

.include "bench.inc"

.alias LAMPS_B    %00111111
.alias OUTPUTS_B  %10111111     ; PB6 is listened to, PB7 belongs to timer 1
.alias CLOCK      %01000000     ; what PB6 listens to
.alias STEP       $40           ; outer rounds of the delay loop: 82 000 cycles
.alias HALF       50            ; interrupts of timer 1 in half a second

.data
.org $0010
.space WORKS 1                  ; what port A shows
.space TICKS 1                  ; hundredths of a second down to the next half second
.space COUNT 1                  ; half seconds
.space ROUNDS 1                 ; of the delay loop
.space LAST 1                   ; level of PB6 at the last look

.text
.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        lda #0
        sta WORKS
        sta COUNT
        sta PORTS_B
        sta PORTS_A
        lda #OUTPUTS_B
        sta PORTS_B_OUT
        lda #$FF
        sta PORTS_A_OUT

        ldx #4                  ; blink twice: nothing but outputs is needed for that
_blink: lda PORTS_B
        eor #LAMPS_B
        sta PORTS_B
        jsr delay
        dex
        bne _blink

        lda #%10101010          ; a pattern, and its opposite: shorted neighbours show
        jsr read_back
        bne _times
        lda #%01010101
        jsr read_back
        bne _times
        lda #%00000001
        jsr passed

; A timer started with 5 has not run out six cycles later, one started with 4 has.
_times: lda WORKS
        sta PORTS_A
        lda #5
        jsr time_1
        bne _two
        lda #4
        jsr time_1
        beq _two
        lda #%00000010
        jsr passed
_two:   lda #5
        jsr time_2
        bne _shift
        lda #4
        jsr time_2
        beq _shift
        lda #%00000100
        jsr passed

; Sixteen cycles a byte, and one before them.
_shift: lda #PORTS_SHIFT_OUT
        sta PORTS_CONTROL
        lda #$A5
        sta PORTS_SHIFT
        ldx #8                  ; looks, of nine cycles each
_going: lda PORTS_FLAGS
        and #PORTS_SHIFTED
        bne _gone
        dex
        bne _going
        beq _calls
_gone:  lda #%00001000
        jsr passed

; A byte paced by timer 2: 255 + 2 cycles from edge to edge, so that each is seen on PB6. (Timer 2 could not count them
; at full speed: pulses of one cycle are too short for PB6.)
        lda #$FF
        sta PORTS_WAIT_LOW
        lda #PORTS_SHIFT_SLOW
        sta PORTS_CONTROL
        sta PORTS_SHIFT
        lda #CLOCK
        sta LAST
        ldx #0                  ; falls
        ldy #0                  ; 256 looks, of 25 cycles or more
_look:  lda PORTS_B
        and #CLOCK
        cmp LAST
        beq _same
        sta LAST
        cmp #0
        bne _same
        inx
_same:  lda PORTS_FLAGS
        and #PORTS_SHIFTED
        bne _all
        dey
        bne _look
        beq _calls
_all:   cpx #8
        bne _calls
        lda #%00010000
        jsr passed

_calls: lda #PORTS_FREE_RUN+PORTS_ON_PB7+PORTS_SHIFT_OUT
        sta PORTS_CONTROL
        lda #HALF
        sta TICKS
        lda #<9998              ; every 9998 + 2 cycles: 100 times a second at 1 MHz
        sta PORTS_TIMER_LOW
        lda #>9998
        sta PORTS_TIMER_HIGH
        lda #PORTS_SET+PORTS_TIMER
        sta PORTS_ENABLE
        cli
        jsr delay
        lda TICKS
        cmp #HALF
        beq _idle               ; nobody called
        lda #%00100000
        jsr passed
_idle:  jmp _idle
.scend

; Note a test as passed: the bit in A.
passed:
        ora WORKS
        sta WORKS
        sta PORTS_A
        rts

; Put A out on port A; zero set: the pins agree. (Outputs of port B read back the register, whatever the pins do.)
read_back:
        sta PORTS_A
        eor PORTS_A
        rts

; Start a timer with the count A and look six cycles later, neither sooner nor later; zero clear: it has run out.
time_1: sta PORTS_TIMER_LOW
        lda #0
        sta PORTS_TIMER_HIGH    ; starts in its last cycle
        nop                     ; cycles 1 and 2
        lda PORTS_FLAGS         ; cycles 3 to 6, the look is in 6
        and #PORTS_TIMER
        rts
time_2: sta PORTS_WAIT_LOW
        lda #0
        sta PORTS_WAIT_HIGH
        nop
        lda PORTS_FLAGS
        and #PORTS_WAITED
        rts

; Some time to look at the lamps; keeps X.
delay:
.scope
        lda #STEP
        sta ROUNDS
        ldy #0
_round: dey
        bne _round
        dec ROUNDS
        bne _round
        rts
.scend

interrupt:
.scope
        pha
        lda PORTS_TIMER_LOW     ; answers the timer
        dec TICKS
        bne _done
        lda #HALF
        sta TICKS
        inc COUNT
        lda COUNT
        sta PORTS_SHIFT
        and #LAMPS_B
        sta PORTS_B
_done:  pla
nothing:
        rti
.scend

.advance $FFFA,$FF
        .word nothing, reset, interrupt
