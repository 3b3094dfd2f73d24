; Both point with the same two cells, the main program always to the same text.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        sta $31
        sta $40
        sta $41
        lda #20
        sta BENCH_PERIOD
        cli
        lda #<long
        sta $30
        lda #>long
        sta $31
loop:   ldy #0
next:   lda ($30),y
        beq loop
        sta BENCH_DATA
        iny
        bne next
        jmp loop
handler:
        pha
        tya
        pha
        sta BENCH_ACKNOWLEDGE
        lda #<short
        sta $30
        lda #>short
        sta $31
        ldy #1
        lda ($30),y
        sta $41
        pla
        tay
        pla
        rti
long:   .byte "MARROW AND BEANS", 0
short:  .byte "LEEK", 0
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
