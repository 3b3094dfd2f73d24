"""The rules that make the core identical to the reference, each with a program that would show one broken."""

import pytest
from board_cards import Pressed
from boards import IO, START

from simkit import Machine
from simkit.contract.errors import CardError, SimkitError

PARTS = ("6502", "65C02")

# A routine of all kinds of instructions at $C000 that goes round for ever, with interrupts allowed after the first
# round: cli, ldx #$70 | $C003: lda $80b0,x, sta ($10),y, inc $0300,x, adc #$19, pha, jsr $C400, pla, cmp $0300,
# bcc +2, eor #$a5, rol, iny, bit $7f00, dex, bne $C003, sed, adc $20, cld, php, plp, jmp $C001; $C400: inc $30, rts
ROUND = "58 A270 BDB080 9110 FE0003 6919 48 2000C4 68 CD0003 9002 49A5 2A C8 2C007F CA D0E0 F8 6520 D8 08 28 4C01C0"


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(("line", "length"), [("IRQ", 1), ("IRQ", 9), ("NMI", 3), ("SO", 2)])
def test_interrupts_come_alike_in_every_cycle_of_a_routine(pair, part, line, length):
    """The pulls step through the routine: 1009 is prime, and the routine repeats after fewer cycles."""
    boards = pair(part).with_program(ROUND)
    for number in range(150):
        boards.each("pull", line, 3000 + 1009 * number, length)
    boards.run(60_000, 60_000, 60_000)


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(
    "loop",
    [
        "B8 50FE E640 4C00C0",  # clv, bvc to itself, inc $40, jmp
        "B8 08 68 2940 0530 8530 4C00C0",  # clv, php, pla, and #$40, ora $30, sta $30, jmp
        "B8 EAEA 5002 E640 4C00C0",  # clv, nop, nop, bvc +2, inc $40, jmp
    ],
)
@pytest.mark.parametrize("length", [2, 200])
def test_an_edge_on_so_sets_v_for_the_same_instruction(pair, part, loop, length):
    """Also where the edge comes in the last cycle of an instruction and nothing else is near."""
    boards = pair(part).with_program(loop)
    for number in range(150):
        boards.each("pull", "SO", 3000 + 503 * number, length)
    boards.run(*(1811,) * 50)


@pytest.mark.parametrize("part", PARTS)
def test_a_line_pulled_by_a_card_counts_from_the_same_instruction(pair, part):
    # loop: lda $32, sta $7f04 (IRQ in $32 cycles), inc $32, ldx #5, dex, bne, jmp loop
    boards = pair(part).with_program("58 A532 8D047F E632 A205 CA D0FD 4C01C0")
    boards.run(9000, 9000, 9000)
    assert boards.exact.ticker.ticks > 100


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(
    "loop",
    [
        "E8 4C01C0",  # inx, jmp: every round takes as long as the longest
        "E8 D0FD E640 4C01C0",
        "E8 9000 4C01C0",
        "C8 2004C4 4C01C0",
        "B90102 C8 4C01C0",
        "E630 F630 4C01C0",
        "4CF9C0",
    ],
)
def test_interrupts_come_alike_in_every_cycle_of_a_tight_loop(pair, part, loop):
    # the last: $c0f9: inx, cpx #0, bne over the page to $c10x, which jumps back
    boards = pair(part).with_program("58" + loop, {0xC404: "60", 0xC0F9: "E8 E000 F0F9 D010 4CF9C0", 0xC110: "4CF9C0"})
    for number in range(70):
        boards.each("pull", "NMI" if number & 1 else "IRQ", 3000 + 1009 * number, 3)
    boards.run(40_000, 40_000)


@pytest.mark.parametrize("part", PARTS)
def test_a_line_that_a_card_moves_in_an_access_counts_from_the_next_cycle(pair, part):
    # cli | loop: inx, iny, sta $7f06 (pulls IRQ), inx, iny, inc $40, dex, jmp loop
    boards = pair(part).with_program("58 E8C8 8D067F E8C8 E640 CA 4C01C0")
    boards.run(9000, 9000)
    assert boards.exact.rams[0]._memory[0x40]


@pytest.mark.parametrize("part", PARTS)
def test_an_event_that_a_card_arms_while_a_function_runs_is_not_missed(pair, part):
    # loop: lda #3, sta $7f05 (NMI in 4 cycles), then registers only: inx, iny, dex, dey ... jmp loop
    boards = pair(part).with_program("A903 8D057F" + "E8C8CA88" * 12 + "4C00C0")
    boards.run(9000, 9000)


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("index", range(0, 256, 15))
def test_a_crossed_page_costs_what_it_costs(pair, part, index):
    # ldx #index, ldy #index, lda $02ff,x, lda $0240,y, lda ($10),y, sta $02ff,x, sta ($10),y, inc $02ff,x, asl $0240,x
    program = f"A2{index:02X} A0{index:02X} BDFF02 B94002 B110 9DFF02 9110 FEFF02 1E4002 4C00C0"
    pair(part).with_program(program).run(2500)


@pytest.mark.parametrize("part", PARTS)
def test_the_last_index_reaches_the_card_beside_the_memory(pair, part):
    # ldx #$ff, ldy #$ff | loop: lda $7e01,x, sta $7e04,y, lda $7d01,y, sta $7e00,x, inc $40, jmp loop
    boards = pair(part).with_program("A2FF A0FF BD017E 99047E B9017D 9D007E E640 4C04C0")
    boards.run(4000)
    assert {entry[1] for entry in boards.exact.ticker.log} >= {"read", "write"}


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("offset", ["80", "F0", "10", "7F"])
def test_a_branch_over_a_page_costs_what_it_costs(pair, part, offset):
    code = {0xC0F0: "A200 CA D0FD F0" + offset, 0xC176: "4CF0C0", 0xC078: "4CF0C0", 0xC0E8: "4CF0C0", 0xC108: "4CF0C0"}
    code[0xC0F7 + (int(offset, 16) ^ 0x80) - 0x80] = "E633 4CF0C0"
    pair(part).with_program("4CF0C0", code).run(6000)


@pytest.mark.parametrize("part", PARTS)
def test_decimal_arithmetic_takes_flags_and_cycles_of_the_part(pair, part):
    # sed | adc $32, php, pla, sta $34, inc $32, sbc $33, php, pla, sta $35, inc $33, inc $33, bcc +1, dex, jmp
    boards = pair(part).with_program("F8 6532 08 68 8534 E632 E533 08 68 8535 E633 E633 9001 CA 4C01C0")
    boards.run(30_000, 30_000)


@pytest.mark.parametrize("part", PARTS)
def test_a_loop_that_rewrites_its_own_operand_is_translated_and_right(pair, part):
    # loop: lda $0200 (rewritten), sta $0300, inc $c001, bne loop, inc $40, jmp loop
    boards = pair(part).with_program("AD0002 8D0003 EE01C0 D0F5 E640 4C00C0")
    boards.run(20_000, 20_000)


@pytest.mark.parametrize("part", PARTS)
def test_a_loop_that_rewrites_an_opcode_is_left_to_exact_in_the_end(pair, part):
    # loop: lda $c010, eor #$20, sta $c010, ldx #9 | $c00a: dex, bne $c00a, three nops, at $c010 inx or iny, jmp loop
    boards = pair(part).with_program("AD10C0 4920 8D10C0 A209 CA D0FD EAEAEA E8 4C00C0")
    boards.run(20_000, 20_000)


@pytest.mark.parametrize("part", PARTS)
def test_a_routine_that_is_replaced_is_translated_anew(pair, part):
    # the routine at $0400 is copied there from $c100 or $c120 in turn, and called many times
    pieces = {0xC100: "E650 A551 6952 8551 60", 0xC120: "C651 E653 A553 2A 8553 60"}
    outer = "A010 B900C1 990004 88 10F7 2000C4 A010 B920C1 990004 88 10F7 2000C4 4C00C0"
    boards = pair(part).with_program(outer, pieces | {0xC400: "A040 84 60 200004 C660 D0F9 60"})
    boards.run(30_000, 30_000)


@pytest.mark.parametrize("part", PARTS)
def test_bytes_put_in_from_outside_count_at_once(pair, part):
    boards = pair(part).with_program("A200 CA D0FD E640 4C00C0")
    boards.run(9000)
    boards.each("place", 0xC005, "C641")
    boards.run(9000)
    boards.each("place", 0xC002, "E8")
    boards.run(9000)


@pytest.mark.parametrize("part", PARTS)
def test_the_last_byte_of_translated_code_counts_too(pair, part):
    boards = pair(part).with_program("A200 CA D0FD E640 4C00C0", {0xC100: "E642 4C00C0"})
    boards.run(9000)
    boards.each("place", 0xC009, "C1")
    boards.run(9000)
    assert boards.exact.rams[0]._memory[0x42]


@pytest.mark.parametrize("part", PARTS)
def test_a_store_through_a_pointer_into_the_last_byte_of_its_own_loop_counts_at_once(pair, part):
    # $c110: lda $20, eor #1, sta $20, ldy #0, sta ($10),y (high byte of the jmp), inc $41, jmp $c110 or $c010
    pieces = {0xC110: "A520 4901 8520 A000 9110 E641 4C10C1", 0xC010: "E642 4C10C1", 0x10: "1EC1", 0x20: "C0"}
    boards = pair(part).with_program("4C10C1")
    for address, code in pieces.items():
        boards.each("place", address, code)
    boards.run(3000, 3000)


def test_a_rom_byte_changed_from_outside_counts_at_once():
    image = bytes.fromhex("E640E6404C0080").ljust(0x7FFC, b"\xea") + bytes.fromhex("00800080")
    machines = [Machine.load("demo:marlpit", images={2: image}, engine=name) for name in ("exact", "auto")]
    for machine in machines:
        machine.run(cycles=30_000)
        for byte in (0x41, 0x42, 0x43):
            machine.poke(0x8003, byte)
            machine.run(cycles=9000)
    assert machines[0].save_state() == machines[1].save_state()


@pytest.mark.parametrize("part", PARTS)
def test_decimal_arithmetic_reads_a_card_as_often_as_the_part_does(pair, part):
    boards = pair(part).with_program("F8 6D027F ED027F 8540 4C01C0")
    boards.run(9000)


@pytest.mark.parametrize("part", PARTS)
def test_the_read_before_the_carry_hits_a_card_where_the_real_one_does(pair, part):
    # ldy #$20 | loop: lda ($10),y, inc $40, bne loop, then the pointer goes from $80f0 to $7ff0 and back: eor #$ff
    boards = pair(part).with_program("A020 B110 E640 D0FA A511 49FF 8511 4C02C0")
    boards.each("place", 0x10, "F080")
    boards.run(9000, 9000)


@pytest.mark.parametrize("part", PARTS)
def test_a_bank_line_changes_the_code_that_runs(pair, part):
    # $8000 in one bank: inc $42, lda #1, sta $7f03, jmp $8000; in the other: inc $40, lda #0, sta $7f03, dex, dex, jmp
    boards = pair(part).with_program("4C0080")
    for board in boards.both:
        board.rams[1]._memory[0:16] = bytes.fromhex("E642A9018D037F4C0080C8C8C8C8C8C8")
        board.rams[2]._memory[0:16] = bytes.fromhex("E640A9008D037FCACA4C0080EAEAEAEA")
    boards.run(9000, 9000)
    assert {value for _, what, offset, value in boards.exact.ticker.log if (what, offset) == ("write", 3)} == {0, 1}


@pytest.mark.parametrize("part", PARTS)
def test_undriven_bits_keep_the_byte_before(pair, part):
    # loop: lda $7f07 (drives nothing), sta $40, bit $7f00, php, pla, sta $41, adc $7f07, inc $7f07 (left to exact), jmp
    boards = pair(part).with_program("AD077F 8540 2C007F 08 68 8541 6D077F EE077F 4C00C0")
    boards.run(9000, 9000)


@pytest.mark.parametrize("part", PARTS)
def test_an_opcode_fetched_from_nowhere_is_the_byte_before(pair, part):
    # loop: inc $40, jsr $7eee, jmp loop; $7eee: ldx #1, bne $7f07: the cycle before reads $7e07, which holds rts
    boards = pair(part).with_program("E640 20EE7E 4C00C0", {0x7EEE: "A201 D015", 0x7E07: "60"})
    boards.run(9000, 9000)
    assert boards.exact.rams[0]._memory[0x40] > 100


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("promises", [True, False])
def test_a_waiting_loop_polls_at_the_same_cycles(pair, part, promises):
    # lda #$c8, sta $7f04 | wait: bit $7f00, bpl wait, lda $7f01, inc $42, jmp
    boards = pair(part).with_program("78 A9C8 8D047F 2C007F 10FB AD017F E642 4C01C0")
    for board in boards.both:
        board.ticker.promises = promises
    boards.run(9000, 9000, 333, 9000)
    assert bool(boards.core.cpu.skips) is promises


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("loop", ["AD027F C543 F0F9", "AD027F EA C543 F0F8", "A543 CD027F F0F9"])
def test_a_wait_for_a_register_that_moves_by_the_clock_ends_in_the_same_cycle(pair, part, loop):
    # loop: lda $7f02, cmp $43, beq loop (rounds of 10 and 12 cycles), sta $43, inc $42, jmp loop
    boards = pair(part).with_program(f"{loop} AD027F 8543 E642 4C00C0")
    boards.run(9000, 9000)
    assert boards.core.cpu.skips


@pytest.mark.parametrize("part", PARTS)
def test_a_wait_for_a_handler_ends_in_the_same_cycle(pair, part):
    # cli | loop: lda #200, sta $7f04, lda $40 | wait: cmp $40, beq wait, jmp loop
    boards = pair(part).with_program("58 A9C8 8D047F A540 C540 F0FC 4C01C0")
    boards.run(9000, 9000, 9000)
    assert boards.exact.ticker.ticks > 100


@pytest.mark.parametrize("part", PARTS)
def test_code_that_runs_into_a_card_and_pointers_into_cards_are_left_to_exact(pair, part):
    # $7efd: nop, nop, nop and then the card's bytes are opcodes; pointer at $10 goes to $7ef0
    pieces = {0x10: "F07E", 0x7E00: "A000 B110 9112 C8 C020 D0F7 4C00C0", 0x12: "FA7E"}
    boards = pair(part).with_program("4C007E", pieces)
    boards.run(9000, 9000)


@pytest.mark.parametrize(("part", "wait", "cycles"), [("6502", "EA", "03"), ("65C02", "CB", "C8")])
def test_instructions_that_wait_and_that_interrupt_come_alike(pair, part, wait, cycles):
    # cli | loop: lda #cycles, sta $7f04, wai (or nop), brk, (its signature), inc $40, jmp loop; handler at $c600
    boards = pair(part).with_program(f"58 A9{cycles} 8D047F {wait} 00EA E640 4C01C0")
    boards.run(9000, 9000)
    assert boards.exact.ticker.ticks > 50


@pytest.mark.parametrize("part", PARTS)
def test_flags_pulled_from_the_stack_let_a_waiting_interrupt_in_at_once_or_one_later(pair, part):
    # loop: sei, lda #9, sta $7f04, ldx #6, dex, bne (the interrupt waits), lda #$20, pha, plp, inx, iny, inc $41;
    # then the same with cli, and with rti to the next instruction
    interrupted = "78 A909 8D047F A206 CA D0FD"
    program = f"{interrupted} A920 48 28 E8 C8 E641 {interrupted} 58 E8 C8 E642"
    at = 0xC000 + len(bytes.fromhex(program + interrupted)) + 10
    returns = f"A9{at >> 8:02X} 48 A9{at & 0xFF:02X} 48 A920 48 40"
    boards = pair(part).with_program(f"{program} {interrupted} {returns} E8 C8 E643 4C00C0")
    boards.run(9000, 9000)
    assert boards.exact.ticker.ticks > 100
    assert boards.exact.rams[0]._memory[0x43]


@pytest.mark.parametrize("part", PARTS)
def test_a_return_to_somewhere_else_goes_there(pair, part):
    # loop: jsr $c400, inc $40, jmp loop; $c400: inc $30, lda $30, and #7, bne out, pla, pla, lda #$c0, pha, lda #$1f,
    # pha, out: rts; $c020: inc $44, jmp loop
    pieces = {0xC400: "E630 A530 2907 D008 6868 A9C0 48 A91F 48 60", 0xC020: "E644 4C00C0"}
    boards = pair(part).with_program("2000C4 E640 4C00C0", pieces)
    boards.run(9000, 9000)
    assert boards.exact.rams[0]._memory[0x44]


@pytest.mark.parametrize("part", PARTS)
def test_the_engine_can_be_switched_at_any_instruction(pair, part):
    boards = pair(part).with_program(ROUND)
    for number in range(60):
        boards.each("pull", "IRQ", 3000 + 701 * number, 9)
    boards.run(4000)
    cpu = boards.core.cpu
    for number in range(30):
        cpu.engine = ("exact", "core", "auto")[number % 3]
        boards.run(531 + 97 * number)


def test_ready_held_low_stretches_reads_alike(pair):
    boards = pair("65C02").with_program(ROUND)
    for number in range(40):
        boards.each("pull", "RDY", 3000 + 613 * number, 1 + number % 5)
    for board in boards.both:
        board.bus.may_stall = True
    boards.run(40_000)


def test_a_machine_takes_the_engine_by_name():
    machine = Machine.load("demo:marlpit", engine="exact")
    assert machine.engine == "exact"
    machine.run(cycles=2000)
    machine.engine = "auto"
    machine.run(seconds=0.5)
    assert machine.engine == "auto"
    with pytest.raises(SimkitError, match="There is no engine 'fast'"):
        machine.engine = "fast"


@pytest.mark.parametrize("part", PARTS)
def test_a_store_through_a_pointer_into_the_first_byte_of_its_own_loop_counts_at_once(pair, part):
    # $c110: inx (or iny), lda $20, eor #$20, sta $20, ldy #0, sta ($10),y, inc $41, jmp $c110
    boards = pair(part).with_program("4C10C1", {0xC110: "E8 A520 4920 8520 A000 9110 E641 4C10C1"})
    boards.each("place", 0x10, "10C1")
    boards.each("place", 0x20, "E8")
    boards.run(300, 300, 3000)


@pytest.mark.parametrize("part", PARTS)
def test_an_indexed_store_whose_last_address_is_its_own_first_byte_counts_at_once(pair, part):
    # $c110: inx (or iny), lda $20, eor #$20, sta $20, ldx #$ff, sta $c011,x, inc $41, jmp $c110
    boards = pair(part).with_program("4C10C1", {0xC110: "E8 A520 4920 8520 A2FF 9D11C0 E641 4C10C1"})
    boards.each("place", 0x20, "E8")
    boards.run(300, 300, 3000)


@pytest.mark.parametrize("part", PARTS)
def test_a_loop_that_rewrites_its_own_operand_is_right_each_time(pair, part):
    boards = pair(part).with_program("AD0002 8D0003 EE01C0 D0F5 E640 4C00C0")
    boards.run(20_000)


@pytest.mark.parametrize("part", PARTS)
def test_code_in_pages_0_and_1_is_right(pair, part):
    # $0080: inc $40, jmp $01f0 | $01f0: inx, iny, jmp $01ff | $01ff: inx, $0200: iny, inc $41, jmp $0080
    pieces = {0x80: "E640 4CF001", 0x1F0: "E8C8 4CFF01", 0x1FF: "E8 C8 E641 4C8000"}
    boards = pair(part).with_program("A207 9A 4C8000", pieces)
    boards.run(9000)


@pytest.mark.parametrize("part", PARTS)
def test_the_read_behind_an_instruction_hits_the_card_beside_it(pair, part):
    # $7ef8: inc $40, lda #1, bne $7efe | $7efd: nop | $7efe: bne $7ef8: a taken branch reads the byte behind it
    boards = pair(part).with_program("4CF87E", {0x7EF8: "E640 A901 EAEA D0F8"})
    boards.run(9000)
    reads = [entry for entry in boards.exact.ticker.log if entry[1:3] == ("read", 0)]
    assert len(reads) > 100


@pytest.mark.parametrize("part", PARTS)
def test_a_return_reads_the_card_at_the_pulled_address(pair, part):
    # loop: lda #$7f, pha, lda #$ff, pha, rts: $7fff is read on the way to $8000: inc $40, jmp loop
    boards = pair(part).with_program("A97F 48 A9FF 48 60", {0x8000: "E640 4C00C0"})
    boards.run(9000)
    assert len(boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
def test_a_jump_through_a_pointer_that_reaches_into_a_card_is_left_to_exact(pair, part):
    # jmp ($7eff): the 65C02 takes the high byte from the card, the 6502 from $7e00; $1010: inc $40, jmp loop
    boards = pair(part).with_program("6CFF7E", {0x7EFF: "10", 0x7E00: "10", 0x1010: "E640 4C00C0", 0x40: "00"})
    boards.run(9000)
    assert boards.exact.rams[0]._memory[0x40]
    assert bool(boards.exact.ticker.log) is (part == "65C02")


@pytest.mark.parametrize("part", PARTS)
def test_a_page_that_takes_stores_but_gives_a_cards_bytes_is_left_to_exact(pair, part):
    # loop: ldy #3, sta $7e00,y, sta ($10),y ($7e10 on), inc $40, jmp loop; indexed stores read the page first
    boards = pair(part, card_reads_page_before=True).with_program("A003 99007E 9110 E640 4C00C0")
    boards.each("place", 0x10, "107E")
    boards.run(9000)
    assert len(boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("program", ["9110 C8 4C00C0", "9D407E E8 4C00C0", "A6B0 9D407E E640 E6B0 4C00C0"])
@pytest.mark.parametrize("rom", [False, True])
def test_a_store_reads_the_card_that_answers_at_its_address_as_exact_does(pair, part, program, rom):
    """An indexed store reads its address first (MOS Technology, MCS6500 Hardware Manual, 1976, A.3.5 and A.3.6)."""
    # $7E40: the RAM takes the byte, the card gives one; code in ROM does not fear for its own bytes
    boards = pair(part, card_reads_page_before=True, program_in_rom=rom).with_program(program)
    boards.each("place", 0x10, "407E")
    boards.run(9000, 9000)
    assert len(boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
def test_an_event_one_cycle_before_the_next_is_not_missed_in_straight_code(pair, part):
    # loop: lda #$c8, sta $7f04 (IRQ in 201 cycles), ldx $32, stx $7f05 (NMI in X + 1), inc $32, 240 cycles of
    # registers only, jmp loop: the NMI comes in every cycle of them, also in the one before the other event
    boards = pair(part).with_program("A9C8 8D047F A632 8E057F E632" + "E8C8CA88" * 30 + "4C00C0")
    boards.run(*(15_000,) * 6)
    assert sum(entry[1] == "nmi" for entry in boards.exact.ticker.log) > 200


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("ahead", [10, 11, 12])
def test_a_bank_that_moves_in_the_last_cycle_before_the_next_event_is_read_from_there_on(pair, part, ahead):
    # loop: ldx $32, stx $7f04 (IRQ in X + 1 cycles), txa, sec, sbc #ahead, sta $7f07 (bank in A + 1), inc $32, 24 times
    # lda $8000, adc $33, sta $33, then jmp loop: the bank moves a cycle before the other event, with it, or after it
    program = f"A632 8E047F 8A 38 E9{ahead:02X} 8D077F E632" + "AD0080 6533 8533" * 24 + "4C00C0"
    boards = pair(part).with_program(program)
    for board in boards.both:
        board.rams[1]._memory[0] = 1
        board.rams[2]._memory[0] = 7
    boards.run(*(15_000,) * 8)
    assert sum(entry[1] == "bank" for entry in boards.exact.ticker.log) > 200


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("ahead", ["00", "01", "02"])
def test_an_event_armed_for_the_last_cycle_before_the_next_is_not_missed(pair, part, ahead):
    # ldx #ahead | loop: stx $7f05 (NMI in X + 1), jmp loop; IRQ, which is masked, moves in every cycle of it
    boards = pair(part).with_program(f"A2{ahead} 8E057F 4C02C0")
    for number in range(80):
        boards.each("pull", "IRQ", 3000 + 1009 * number, 500)
    boards.run(45_000, 45_000)


@pytest.mark.parametrize("part", PARTS)
def test_cards_that_wait_take_their_cycles(pair, part):
    boards = pair(part, wait=2).with_program(ROUND)
    boards.run(9000, 9000)
    slow, quick = boards.exact.ticker.log[:20], pair(part).with_program(ROUND)
    quick.run(9000)
    taken = [(late[0] - early[0]) % 3 for late, early in zip(slow, quick.exact.ticker.log[:20], strict=True)]
    assert taken != [0] * 20


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("wait", [0, 1, 5])
def test_an_event_armed_in_an_access_that_may_wait_comes_in_its_cycle(pair, part, wait):
    # loop: ldx $32, stx $7f05 (NMI in X + 1), inc $32, ldx #$30, dex, bne, jmp loop
    boards = pair(part, wait=wait).with_program("A632 8E057F E632 A230 CA D0FD 4C00C0")
    boards.run(*(1811,) * 30)
    assert sum(entry[1] == "nmi" for entry in boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("access", ["AD037F", "8D037F"])
def test_a_card_that_fails_leaves_the_cpu_as_exact_leaves_it(pair, part, access):
    # loop: inx, adc #7, rol, then the access, iny, jmp loop
    boards = pair(part).with_program(f"E8 6907 2A {access} C8 4C00C0")

    def fail(offset, *arguments):
        if arguments[-1] > 5000:
            raise ValueError("broken")
        return 0

    for board in boards.both:
        board.ticker.read = board.ticker.write = fail
        with pytest.raises(CardError, match="broken"):
            board.cpu.run(9000)
    one, two = (board.state for board in boards.both)
    assert one == two


def test_a_stopped_cpu_stays_stopped_behind_translated_code(pair):
    # loop: inc $40, dex, bne loop, stp, inc $41, jmp: RESET starts it over
    boards = pair("65C02").with_program("A205 E640 CA D0FB DB E641 4C00C0", {0x40: "00 00"})
    for number in range(30):
        boards.each("pull", "RESET", 1000 + 500 * number, 3)
    boards.run(*(3000,) * 15)  # each up to the next STP
    boards.each("place", 0xC003, "42")  # what was translated before STP was first met is translated anew
    boards.run(*(3000,) * 15)
    assert boards.exact.rams[0]._memory[0x40] > 10
    assert boards.exact.rams[0]._memory[0x42] > 10
    assert not boards.exact.rams[0]._memory[0x41]


@pytest.mark.parametrize("part", PARTS)
def test_the_last_instructions_are_recorded_alike(pair, part):
    """All 64 after a run; without a gap, though fewer, where RESET held the CPU at its end."""
    boards = pair(part).with_program(ROUND)
    boards.run(9000)
    assert boards.core.cpu.last_notes() == boards.exact.cpu.last_notes()
    assert len(boards.core.cpu.last_notes()) == 64
    boards.each("pull", "RESET", 12_000, 5000)
    boards.run(6000)
    assert len(boards.exact.cpu.last_notes()) == 64


@pytest.mark.parametrize("part", PARTS)
def test_who_begins_elsewhere_in_the_cycle_in_which_an_opcode_could_not_be_fetched_is_noted_too(pair, part):
    boards = pair(part).with_program("E8 4C00C0")
    boards.run(100)
    now = boards.exact.cpu.cycle
    boards.each("pull", "SO", now + 3, 2)  # something near, so that each bus cycle of it is made
    for board in boards.both:
        board.cpu.pc = IO
        board.trip(now, Pressed, False)
        with pytest.raises(Pressed):
            board.cpu.run(now + 50)
        assert board.cpu.recent[-1] == (now, IO)
        board.cpu.pc = START
        board.cpu.run(now + 50)
        assert (now, START) in board.cpu.recent
    boards.compare()
