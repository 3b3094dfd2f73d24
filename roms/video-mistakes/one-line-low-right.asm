; The same with Y = 95.
.include "start.inc"
.alias Y_OF_SPRITE 95
.include "one-sprite.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
