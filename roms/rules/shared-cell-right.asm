; A tick that the handler counts and the program waits for and clears; a flag that the program sets and the handler
; clears; a cell that the handler puts back.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        sta $31
        sta $32
        lda #20
        sta BENCH_PERIOD
        cli
loop:   lda #1
        sta $31
wait:   lda $31
        bne wait
tick:   lda $30
        beq tick
        lda #0
        sta $30
        lda #$55
        sta $32
        nop
        lda $32
        cmp #$55
        beq loop
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        inc $30
        lda #0
        sta $31
        lda $32
        pha
        lda #7
        sta $32
        pla
        sta $32
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
