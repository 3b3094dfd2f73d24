"""Where the core must stop, ask or hand over, and what goes wrong in one cycle more."""

import pytest

PARTS = ("6502", "65C02")


@pytest.mark.parametrize("ahead", range(8))
def test_an_event_in_the_last_cycle_of_the_longest_instruction_comes_in_its_cycle(pair, ahead):
    """8 cycles: an undocumented read-modify-write through a pointer (groepaz, NMOS 6510 Unintended Opcodes, 2017)."""
    # loop: ldx $32, stx $7f05 (NMI in X + 1), inc $32, nops, 40 times rra ($10),y, jmp loop
    program = "A632 8E057F E632" + "EA" * (ahead // 2) + "A632" * (ahead & 1) + "7310" * 40 + "4C00C0"
    boards = pair("6502").with_program(program)
    boards.run(*(9000,) * 6)
    assert sum(entry[1] == "nmi" for entry in boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
def test_more_writes_wait_than_there_is_room_for(pair, part):
    boards = pair(part, panel=True).with_program("E8 8E007D 4C00C0")  # inx, stx $7d00, jmp
    boards.run(90_000)
    assert len(boards.exact.panel.log) > 8000


@pytest.mark.parametrize("part", PARTS)
def test_writes_that_wait_reach_each_register_in_their_order_and_before_any_look(pair, part):
    # loop: lda #1, sta $7d00, inx, stx $7d04, sta $7d04, inc $40, stx $7d00, lda $7d01, sta $41, sta $7f05, inc $7d04,
    # jmp loop
    program = "A901 8D007D E8 8E047D 8D047D E640 8E007D AD017D 8541 8D057F EE047D 4C00C0"
    boards = pair(part, panel=True).with_program(program)
    boards.run(*(911,) * 20)
    assert {offset for _, offset, _, _ in boards.exact.panel.log} == {0, 4}


@pytest.mark.parametrize("part", PARTS)
def test_a_wait_in_whose_rounds_something_is_stored_or_lit_does_all_of_it(pair, part):
    # loop: lda $7f02 | wait: sta $44, sta $7d00, inc $45, cmp $7f02, beq wait, jmp loop
    boards = pair(part, panel=True).with_program("AD027F 8544 8D007D E645 CD027F F0F4 4C00C0")
    boards.run(9000, 9000)
    assert len(boards.exact.panel.log) > 500


@pytest.mark.usefixtures("short_ring")
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("crossed", [False, True])
def test_records_of_more_cycles_than_the_ring_takes_are_whole_and_in_order(pair, part, crossed):
    # cli | loop: lda #200, sta $7f04, sta $7d00, lda $80b0,x, sta ($10),y, inc $8300,x, jsr $c400, inx, jmp loop
    wires = {"D0": "D1", "D1": "D2", "D2": "D0", "A0": "A3", "A3": "A5", "A5": "A0"} if crossed else {}
    boards = pair(part, watched=True, panel=True, crossed={3: wires, 4: wires})
    boards.with_program("58 A9C8 8D047F 8D007D BDB080 9110 FE0083 2000C4 E8 4C01C0")
    boards.run(9_000, 333, 9_000)


@pytest.mark.parametrize("part", [PARTS[0], pytest.param(PARTS[1], marks=pytest.mark.slow)])
def test_records_of_plain_memory_alone_fill_the_ring_over_and_over(pair, part):
    boards = pair(part, watched=True).with_program("A200 FE0003 FE0004 E8 D0F7 E640 4C00C0")
    boards.run(100_000)


@pytest.mark.parametrize("part", PARTS)
def test_cards_that_bring_their_own_memory_are_asked(pair, part):
    boards = pair(part, own_buffers=True).with_program("BDB080 9110 FE0003 2000C4 E8 E640 4C00C0")
    boards.run(9000)
    assert boards.exact.rams[0]._memory[0x40]


@pytest.mark.parametrize("spare", ["target", "operand"])
def test_the_spare_cycle_of_an_indexed_store_reads_what_it_is_wired_to(pair, spare):
    # ldx #1, ldy #0 | loop: sta $7f00,x, sta ($12),y, sta $7f03,y, inc $40, jmp loop
    boards = pair("65C02", watched=True, indexed_store_spare=spare).with_program(
        "A201 A000 9D007F 9112 99037F E640 4C04C0", {0x12: "067F"}
    )
    boards.run(9000)
    reads = {entry[2] for entry in boards.exact.ticker.log if entry[1] == "read"}
    assert bool(reads) is (spare == "target")


@pytest.mark.parametrize("part", PARTS)
def test_a_byte_of_a_rom_with_crossed_wires_that_is_changed_counts_at_once(pair, part):
    wires = {"D0": "D1", "D1": "D2", "D2": "D0", "A0": "A3", "A3": "A5", "A5": "A0"}
    boards = pair(part, program_in_rom=True, crossed={5: wires}).with_program("E640 E641 4C00C0")
    for place, byte in ((0xC001, "42"), (0xC003, "43"), (0xC000, "C6"), (0xC002, "C6")):
        boards.run(3000)
        boards.each("place", place, byte)
    boards.run(3000)
    assert all(boards.exact.rams[0]._memory[0x40:0x44])


@pytest.mark.parametrize("part", PARTS)
def test_reset_in_an_access_gives_the_instruction_up(pair, part):
    """RESET that a card pulls at once counts from the next cycle; the access after it is not made."""
    boards = pair(part, panel=True).with_program("EE057D E640 4C00C0")  # inc $7d05, inc $40, jmp
    boards.run(*(701,) * 12)
    assert boards.exact.panel.resets > 5


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("watched", [False, True])
def test_irq_that_rises_in_an_access_broken_off_still_counts_in_its_cycle(pair, part, watched):
    """The cycle of the access comes again, with the next instruction; IRQ is low in it and high from the next on."""
    # cli | loop: inx, lda $7f01 (lets IRQ go, and fails), jmp loop
    boards = pair(part, watched=watched).with_program("58 E8 AD017F 4C01C0")
    for _ in range(20):
        boards.run(1000)
        now = boards.exact.cpu.cycle
        for board in boards.both:
            board.cpu.i = 1  # only so long
            board.ticker.slot.pin("INT").drive(False, now)
        boards.each("trip", now, ValueError, True)
        assert boards.run_to(now + 100)
        for board in boards.both:
            board.cpu.i, board.cpu.pc = 0, 0xC001
        boards.run(5)
        assert boards.exact.cpu.pc >= 0xC600  # in the handler


def _each_read(board, offset, call):
    """Have something done in each read of a register of the ticker, before its byte is taken."""
    read = board.ticker.read

    def reading(at, cycle):
        if at == offset:
            call(board, cycle)
        return read(at, cycle)

    board.ticker.read = reading


def _turn_bank(board, cycle):
    board.ticker.second_bank = not board.ticker.second_bank
    board.ticker.slot.pin("BANK").drive(board.ticker.second_bank, cycle)


@pytest.mark.parametrize(("part", "loop"), [("65C02", "6CFF7F"), ("6502", "A210 A9EE 9DF87F 4C00C0")])
def test_a_bank_that_moves_inside_an_instruction_counts_in_its_next_cycle(pair, part, loop):
    """65C02: jmp ($7fff) takes the high byte from $8000; 6502: sta $7ff8,x reads $7f08 and writes $8008."""
    boards = pair(part).with_program(loop)
    for board in boards.both:
        board.rams[1]._memory[0], board.rams[2]._memory[0] = 0xC0, 0xC1
        board.rams[1]._memory[8], board.rams[2]._memory[8] = 1, 2
        _each_read(board, 7 if part == "65C02" else 0, _turn_bank)
        board.place(0xC100, "E640 4C00C0")
        for page in (0xC0, 0xC1):  # jmp ($7fff) goes to what the clock says in that page
            if part == "65C02":
                board.place((page << 8) + 3, ("E8" if page == 0xC0 else "C8") * 0xF8 + "4C00C0")
    boards.run(333, 3000, 3000)


def test_an_event_in_the_next_cycle_of_the_instruction_that_armed_it_comes_in_it(pair):
    """The NMOS part writes twice: the first write of inc $7f04 arms IRQ for the second (MOS, Hardware Manual, 1976)."""
    boards = pair("6502").with_program("58 EE047F 4C01C0")  # cli | loop: inc $7f04, jmp loop
    for board in boards.both:
        board.ticker.peek = lambda offset, cycle: 0
    boards.run(*(777,) * 9)
    assert sum(entry[1] == "irq" for entry in boards.exact.ticker.log) > 100


@pytest.mark.parametrize("part", PARTS)
def test_no_round_of_a_wait_is_left_out_of_the_records(pair, part):
    boards = pair(part, watched=True).with_program("AD027F CD027F F0FB E640 4C00C0")
    boards.run(9000, 9000)
    assert not boards.core.cpu.skips


@pytest.mark.usefixtures("reached")
@pytest.mark.parametrize("part", PARTS)
def test_the_last_instructions_are_told_right_where_a_wait_breaks_off(pair, part):
    boards = pair(part).with_program("2C007F 10FB E640 4C00C0")  # wait: bit $7f00, bpl wait
    for _ in range(9):
        boards.run(100)
        now = boards.exact.cpu.cycle
        boards.each("trip", now + 1500, ValueError, False)
        assert boards.run_to(now + 5000)
        boards.each("start", True)
    assert boards.core.cpu.skips


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("wait", [0, 3])
@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("program", ["E8 AD007F 4C00C0", "E8 8D037F 4C00C0"])
def test_an_access_that_waits_and_fails_leaves_the_cycle_it_came_to(pair, part, wait, late, program):
    boards = pair(part, wait=wait).with_program(program)
    for number in range(16):
        boards.run(100)
        boards.each("trip", boards.exact.cpu.cycle + 50 + number, ValueError, late)
        assert "tripped" in boards.run_to(boards.exact.cpu.cycle + 500)
        boards.run(20)
        boards.each("start", True)


@pytest.mark.parametrize("part", PARTS)
def test_an_edge_on_so_that_a_card_gives_in_an_access_sets_v_for_the_same_instruction(pair, part):
    # loop: clv, inc $7f00 (its read, two cycles before its end, pulls SO), php, pla, sta $40, lda $7f01 (frees it), jmp
    boards = pair(part).with_program("B8 EE007F 08 68 8540 AD017F 4C00C0")
    for board in boards.both:
        _each_read(board, 0, lambda board, cycle: board.pins["SO"].drive(False, cycle))
        _each_read(board, 1, lambda board, cycle: board.pins["SO"].drive(None, cycle))
    boards.run(*(37,) * 60)
    assert boards.exact.rams[0]._memory[0x40] & 0x40


@pytest.mark.parametrize("part", PARTS)
def test_a_branch_whose_spare_read_moves_irq_decides_by_its_own_rule(pair, part):
    # $7ef7: inx, inc $42, nop, nop, lda #0, beq $7ef7: its spare read at $7f00 pulls IRQ or lets it go
    boards = pair(part).with_program("58 4CF77E", {0x7EF7: "E8 E642 EAEA A900 F0F7"})

    def toggle(board, cycle):
        board.ticker.slot.pin("INT").drive(False if cycle & 1 else None, cycle)

    for board in boards.both:
        _each_read(board, 0, toggle)
    boards.run(*(53,) * 60)
    assert boards.exact.rams[0]._memory[0x40]


def test_a_part_that_reads_a_register_twice_in_an_instruction_makes_no_round_of_it(pair):
    """W65C02S, decimal adc: the byte read is also the operand's last one, $7F, in 128 cycles of the clock register."""
    boards = pair("65C02").with_program("F8 6D027F 4C01C0")
    boards.run(20_000)
