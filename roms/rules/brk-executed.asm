; A BRK was left in as a breakpoint; its RTI skips a byte.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $0200
        sta $0201
        brk
        inc $0200
        inc $0201
stop:   jmp stop
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
