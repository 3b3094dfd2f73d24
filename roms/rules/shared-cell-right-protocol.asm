; A time limit that the program sets and the handler counts down to 0; a request that the handler answers in its cell.
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
loop:   lda #10
        sta $30
        inc $40
        lda $40
        sta $31
        ldx #0
        stx $41
job:    dex
        bne job
        lda $30
        beq late
        sta BENCH_DATA
late:   lda $41
        beq late
        lda $31
        sta BENCH_DATA
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        lda $30
        beq none
        dec $30
none:   lda $41
        bne done
        lda $31
        and #7
        cmp #7
        bne taken
        lda #$FF
        sta $31
taken:  inc $41
done:   pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
