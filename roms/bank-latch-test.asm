; Banks test: a bank latch and the RAM behind it, on the workshop machine (65C02). Each of the eight lamps stands for a
; bank: it is lit while the bank holds its own bytes at both ends of the window and runs code of its own, and once dark it
; stays dark. Over and over, each round with other bytes.
;
; All banks are written before one is read back: two that are one and the same would pass otherwise. What the lamps say
; then: a latch output that does not arrive at the memory's address pin leaves half of them dark, the ones written first.

.include "monitor.inc"

.alias BANK_END $BFFF           ; last byte of the window
.alias BANK_RUN $8100           ; where the routine goes

.data
.org $0010
.space ROUND 1                  ; mixed into every mark
.space GOOD 1                   ; bit n: bank n has been right so far
.space BANK 1
.space MARK 1                   ; what this bank holds this round
.space NOW 1                    ; as GOOD, of this round

.text
.org $C000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs
        stz ROUND
        stz NOW
        lda #$FF
        sta GOOD
        sta PORTS_B_OUT
        stz PORTS_B

_round: lda #7
        sta BANK
_mark:  jsr show
        sta BANK_WINDOW
        eor #$FF
        sta BANK_END
        ldx #routine_end-routine-1
_copy:  lda routine,x
        sta BANK_RUN,x
        dex
        bpl _copy
        lda MARK
        sta BANK_RUN+1          ; its own number for the routine
        dec BANK
        bpl _mark

        lda #7
        sta BANK
_check: jsr show
        cmp BANK_WINDOW
        bne _bad
        eor #$FF
        cmp BANK_END
        bne _bad
        jsr BANK_RUN
        cpx MARK
        bne _bad
        sec
        bra _note
_bad:   clc
_note:  rol NOW                 ; bank 7 first: it ends in bit 7
        dec BANK
        bpl _check

        lda NOW
        and GOOD
        sta GOOD
        sta PORTS_B
        inc ROUND
        bra _round
.scend

; Show the bank BANK in the window; A and MARK become what it should hold this round.
show:
        lda BANK
        sta BANK_LATCH          ; the latch cannot be read back: BANK is where we know it from
        asl
        asl
        asl
        asl
        ora BANK
        eor ROUND
        sta MARK
        rts

; Runs in the banks: X becomes what the copy was given.
routine:
        ldx #0
        rts
routine_end:

nothing:
        rti

.advance $FFFA,$FF
        .word nothing, reset, nothing
