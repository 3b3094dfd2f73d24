; Mistake: four sprites are written, the list is not ended, and nobody cleared the memory behind it: whatever it held at
; power-up shows as sprites, and takes places on lines.
.include "../marlpit.inc"
.text
.org $8000
.alias LAST_ENTRY 16
.alias NUMBER_SET 8
.alias PAGES 13
.include "sprites-alone.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
