; Traps: four habits of the processor that a plain model of it does not have and a card on the bus does notice. The program
; springs each trap and leaves what came of it in page 0; the NMOS 6502 and the W65C02S answer differently.
;
; It wants a card with these four registers; change the addresses to those of yours.
.alias TRAP_LATCH       $7F40   ; bit 0: set by any write, cleared by reading it (like the status of many chips)
.alias TRAP_COUNTER     $7F41   ; a register that counts how often it was read and written
.alias TRAP_READS       $7F42   ; how often TRAP_COUNTER was read; any write sets both counts to 0
.alias TRAP_WRITES      $7F43   ; how often TRAP_COUNTER was written; any write pulls IRQ low, reading it lets go

.alias DECIMAL          %00001000

; --- What came of it ---------------------------------------------------------------------------------------------------
.alias LATCH_LEFT       $0010           ; 1: the latch survived; 0: a dummy read has cleared it
.alias INC_READS        $0011           ; how often one INC read the register
.alias INC_WRITES       $0012           ; how often it wrote it
.alias ENTRIES          $0013           ; how often the handler was entered for one request
.alias STEPS_BETWEEN    $0014           ; instructions of the program that ran meanwhile
.alias DECIMAL_INSIDE   $0015           ; D as the handler found it
.alias SUM_INSIDE       $0016           ; 5 + 5 as the handler added it: $0A, or $10 in decimal mode
.alias DONE             $0017           ; $A5 when the program is through

.org $8000

reset:
.scope
        sei
        cld
        ldx #$FF
        txs

; 1. LDA $7FF0,X with X = $50 means to read $8040. The NMOS part adds the low bytes first and reads $7F40 on the way, which is
;    the latch. Remedy: let no indexed read pass I/O registers on its way over a page; choose the base so that it does not.
        sta TRAP_LATCH
        ldx #$50
        lda $7FF0,x
        lda TRAP_LATCH
        and #1
        sta LATCH_LEFT

; 2. INC reads once and writes twice on the NMOS part (the old value, then the new), reads twice and writes once on the
;    W65C02S. Remedy: load, add and store on registers where an access does something.
        sta TRAP_READS                  ; counts to 0
        inc TRAP_COUNTER
        lda TRAP_READS
        sta INC_READS
        lda TRAP_WRITES
        sta INC_WRITES

; 3. IRQ is a level. As long as the card pulls it the handler is entered again, right after its RTI: the program stands still.
;    The handler here lets three entries pass before it acknowledges. Remedy: acknowledge in the handler, always.
        ldx #0
        stx ENTRIES
        sta TRAP_WRITES                 ; the card pulls IRQ
        cli
        inx                             ; still runs: CLI comes too late for its own decision
        inx
        inx
        sei

; 4. The NMOS part enters a handler with D as it was; the W65C02S clears it. Remedy: CLD in every handler that adds.
        ldx STEPS_BETWEEN               ; the handler stores X there again
        lda #2
        sta ENTRIES                     ; the next entry acknowledges at once
        sed
        sta TRAP_WRITES
        cli
        nop
        nop
        sei
        cld
        lda #$A5
        sta DONE
stop:   jmp stop
.scend

interrupt:
.scope
        pha
        php
        pla
        and #DECIMAL
        sta DECIMAL_INSIDE
        clc
        lda #5
        adc #5
        sta SUM_INSIDE
        stx STEPS_BETWEEN
        inc ENTRIES
        lda ENTRIES
        cmp #3
        bne _again
        lda TRAP_WRITES                 ; acknowledge: the card lets IRQ go
_again: pla
.scend
nmi:    rti

.advance $FFFA, $FF
        .word nmi
        .word reset
        .word interrupt
