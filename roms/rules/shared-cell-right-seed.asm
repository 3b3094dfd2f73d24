; The handler stirs a seed that the main program reads and writes anew.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        lda #20
        sta BENCH_PERIOD
        cli
loop:   lda $30
        asl
        eor #$1D
        sta $30
        sta BENCH_DATA
        jmp loop
handler:
        sta BENCH_ACKNOWLEDGE
        inc $30
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
