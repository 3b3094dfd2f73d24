; The main program forbids the interrupt while it uses the cell.
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
        ldx #0
loop:   inx
        sei
        stx $30
        nop
        lda $30
        cli
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
