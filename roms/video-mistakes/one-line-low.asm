; Mistake: a sprite is to stand on text row 12, line 96, and gets 96 as its Y. Y is the line above: it stands at 97.
.include "start.inc"
.alias Y_OF_SPRITE 96
.include "one-sprite.inc"

.advance $FFFA, $FF
        .word interrupt, reset, interrupt
