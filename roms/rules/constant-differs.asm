; A register stands elsewhere in the source than on the card.
.include "bench.inc"
.alias BENCH_MODE        $7006   ; was moved to $7001 long ago
.org $8000
start:  ldx #$FF
        txs
        cld
        lda BENCH_MODE
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
