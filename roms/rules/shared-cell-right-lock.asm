; A lock: the handler keeps off the record while the main program works on it; a status that the handler fills and the
; program clears; a count of ticks that the program sets to 0 and reads once.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $30
        sta $31
        sta $32
        sta $33
        sta $34
        sta $40
        lda #20
        sta BENCH_PERIOD
        cli
loop:   lda #0
        sta $33
        sta $34
        inc $40
        inc $30
        lda $40
        sta $31
        sta $32
        nop
        lda $31
        cmp $32
        bne over
        sta BENCH_DATA
over:   dec $30
        lda $33
        and #$20
        ora $34
        sta BENCH_DATA
        jmp loop
handler:
        pha
        sta BENCH_ACKNOWLEDGE
        inc $34
        lda #$20
        sta $33
        lda $30
        bne out
        sta $31
        lda #3
        sta $32
out:    pla
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
