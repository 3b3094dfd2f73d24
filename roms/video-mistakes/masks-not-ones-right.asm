; The same with all mask bits set.
.include "start.inc"
.alias COLOUR_BASE  $FF
.alias PATTERN_BASE $03
.include "three-thirds.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
