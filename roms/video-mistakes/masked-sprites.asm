; Mistake: nine sprites in graphics II, and register 4 holds a base address as in graphics I. Its mask bits are clear: a
; real chip repeats sprites past the eighth.
.include "start.inc"
.alias PATTERN_BASE $00
.include "nine-sprites.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
