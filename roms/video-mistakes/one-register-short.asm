; Mistake: the set-up loop counts one short: register 7 keeps what it powered up with.
.include "../marlpit.inc"
.text
.org $8000
.alias LAST_ENTRY 17
.alias NUMBER_SET 7
.alias PAGES 13
.include "sprites-alone.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
