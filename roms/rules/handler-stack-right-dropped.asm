; The handler gives a job up: it drops its frame and the job, and the next job is begun by an RTI.
.include "bench.inc"
.org $8000
start:  ldx #$FF
        txs
        cld
        lda #0
        sta $20
        lda #$80
        sta BENCH_PERIOD
prompt: cli
        jsr launch
        jmp prompt
launch: lda #>job
        pha
        lda #<job
        pha
        php
        rti
job:    jsr work
        jmp job
work:   inc $20
        jmp work
handler:
        sta BENCH_ACKNOWLEDGE
        pla
        pla
        pla
        pla
        pla
        pla
        pla
        jmp prompt
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
