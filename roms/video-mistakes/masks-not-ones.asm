; Mistake: registers 3 and 4 of graphics II hold base addresses as in graphics I. Their low bits are masks here: with them
; clear all thirds of the picture share the patterns and colours of the first.
.include "start.inc"
.alias COLOUR_BASE  $80
.alias PATTERN_BASE $00
.include "three-thirds.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
