; JSR before S was set.
.include "bench.inc"
.org $8000
start:  cld
        jsr sub
stop:   jmp stop
sub:    inx
        rts
handler:
        rti
other:
        rti
.advance $FFFA, $FF
.word other, start, handler
