; The same with the colours at $2000 written.
.include "../marlpit.inc"
.text
.org $8000
.alias LAST_ENTRY 17
.alias NUMBER_SET 8
.alias PAGES 13
.include "sprites-alone.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
