; Instructions of the CMOS part, written as bytes for an assembler that lacks them.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        .byte $9C, $00, $02         ; STZ $0200
again:  .byte $EE, $00, $02         ; INC $0200
        lda $0200
        .byte $1A, $3A, $DA, $FA    ; INC A, DEC A, PHX, PLX
        .byte $9C, $00, $02, $9C, $01, $02, $9C, $02, $02   ; three times STZ
        beq skip
        lda #1
        .byte $2C                   ; BIT hides the load
skip:   lda #2
        .byte $80, $FE              ; BRA to itself
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
