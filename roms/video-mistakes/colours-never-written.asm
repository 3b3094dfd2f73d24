; Mistake: the colour table is not written: its bytes are what the memory powered up with.
.include "../marlpit.inc"
.text
.org $8000
.alias LAST_ENTRY 17
.alias NUMBER_SET 8
.alias PAGES 12
.include "sprites-alone.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
