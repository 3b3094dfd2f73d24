; The counter is set first; a clearing loop reads nothing.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        tax
loop:   sta $00,x
        inx
        bne loop
        inc $10
        lda $10
        sta BENCH_DATA
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
