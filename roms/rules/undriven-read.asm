; The status is read where no card answers.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
loop:   lda $7010
        bpl loop
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
