; The same with all mask bits set.
.include "start.inc"
.alias PATTERN_BASE $03
.include "nine-sprites.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
