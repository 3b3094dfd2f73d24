; The key that the handler left, looked at by both; the program clears it.
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
loop:   lda $30
        beq loop
        sta BENCH_DATA
        lda #0
        sta $30
        jmp loop
handler:
        pha
        inc $41
        lda $41
        ora #1
        sta $30
        lda $30
        sta BENCH_ACKNOWLEDGE
        pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
