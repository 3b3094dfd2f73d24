; SED was typed for CLD: all sums are decimal from then on.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        sed
loop:   inc BENCH_DATA
        jmp loop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
