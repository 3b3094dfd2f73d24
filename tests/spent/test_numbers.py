"""Figures that follow from the published cycle tables, and programs that do tricks with the stack.

Sources:
    [HM] MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976, appendix A: JSR takes 6 cycles
         (A.5.3), BRK and interrupt sequences 7 (A.5.4), RTI 6 (A.5.5), RTS 6 (A.5.7), INC absolute,X 7 (A.4.4).
    [VC] VisualChips wiki, 6502 Interrupt Recognition Stages and Tolerances: an instruction decides at the end of its
         penultimate cycle.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine, SimkitError, time_spent
from simkit.spent import watch
from simkit.spent.drawn import drawn
from simkit.spent.watch import SpentWatch
from simkit.spent.words import spent_text
from tests.examples import examples
from tests.looks.boxes import check_texts
from tests.spent.asking import asking, image
from tests.spent.programs import made_up

START = "A2FF9A58"  # LDX #$FF, TXS, CLI
ANSWER = "AD0040"  # LDA $4000: the request goes


def run(folder, pieces, cycles=4000, vectors=None, **more):
    return time_spent(Machine.load(asking(folder, image(pieces, **(vectors or {})), **more)), cycles=cycles)


def figures(spent, address):
    one = spent.routine(f"${address:04X}")
    return one.calls, one.own, one.cycles


def test_a_routine_counts_from_its_first_instruction_to_the_end_of_rts(tmp_path):
    # JSR $8100, JMP $8004; $8100: JSR $8200, RTS; $8200: RTS
    spent = run(tmp_path, {0x8000: START + "2000814C0480", 0x8100: "20008260", 0x8200: "60"}, cycles=7 + 6 + 27 * 10)
    assert spent.cycles == 7 + 6 + 270  # RESET; LDX, TXS, CLI; ten rounds of JSR, JSR, RTS, RTS, JMP
    assert figures(spent, 0x8200)[1:] == (60, 60)  # [HM] RTS
    assert figures(spent, 0x8100)[1:] == (120, 180)  # [HM] JSR and RTS, and what it calls
    assert spent.routine("$8100").worst == 18 == spent.routine("$8100").lengths.least


def test_the_latency_is_that_of_the_worst_phase_of_an_instruction(tmp_path):
    # INC $0300,X again and again, JMP back: [HM] 7 cycles; [VC]: the line is seen two cycles before the sequence begins
    code = {0x8000: START + "FE0003" * 40 + "4C0480", 0x9000: ANSWER + "40"}
    spent = run(tmp_path, code, 60_000, {"irq": 0x9000}, irq=150)
    latency = spent.latency["IRQ"]
    assert latency.lengths.number > 300
    assert latency.lengths.least == 2 + 7  # sampled in the penultimate cycle
    assert latency.worst == 1 + 7 + 7  # just too late: the last cycle, a whole INC, the sequence
    assert latency.longest.kept == "the instruction under way, of 7 cycles"
    handler = spent.handler("IRQ")
    assert (handler.lengths.least, handler.worst) == (7 + 4 + 6, 7 + 4 + 6)  # [HM] sequence, LDA, RTI
    assert handler.share == handler.cycles / spent.cycles


def test_what_keeps_a_request_is_named(tmp_path):
    # loop: SEI, ten INC $0300,X, CLI, NOP, JMP loop
    code = {0x8000: START + "78" + "FE0003" * 10 + "58EA4C0480", 0x9000: ANSWER + "40"}
    spent = run(tmp_path, code, 20_000, {"irq": 0x9000}, irq=100)
    longest = spent.latency["IRQ"].longest
    assert longest.kept == "I was set from SEI at $8004 (start+4) to CLI at $8023 (start+35), 72 cycles"
    assert 72 <= longest.cycles <= 72 + 2 + 2 + 7 + 2


def test_a_handler_that_keeps_another_request_is_named(tmp_path):
    # NMI: thirty INC $0300,X, RTI; IRQ answers
    code = {0x8000: START + "4C0480", 0x9000: ANSWER + "40", 0x9100: "FE0003" * 30 + "40"}
    spent = run(tmp_path, code, 60_000, {"irq": 0x9000, "nmi": 0x9100}, irq=300, nmi=500)
    assert spent.latency["IRQ"].longest.kept == "the handler of NMI was running, $9100"
    assert spent.latency["IRQ"].worst > 150
    assert spent.handler("NMI").worst == 7 + 30 * 7 + 6
    assert spent.handler("IRQ").worst == 17  # what NMI takes within it is NMI's


def test_an_address_that_the_program_has_pushed_is_a_jump(tmp_path):
    # main: JSR $8100; JMP. $8100: LDA #$82, PHA, LDA #$FF, PHA, RTS goes to $8300: NOP, RTS
    spent = run(tmp_path, {0x8000: START + "2000814C0480", 0x8100: "A98248A9FF4860", 0x8300: "EA60"}, cycles=2000)
    assert [one.place.address for one in spent.routines] == [0x8100]
    assert spent.routine("$8100").worst == 2 + 3 + 2 + 3 + 6 + 2 + 6


def test_a_jump_to_what_is_called_elsewhere_is_a_call(tmp_path):
    # main: JSR $8100, JSR $8200, JMP. $8100: NOP, JMP $8200. $8200: RTS
    code = {0x8000: START + "2000812000824C0480", 0x8100: "EA4C0082", 0x8200: "60"}
    spent = run(tmp_path, code, cycles=7 + 6 + 32 * 10)  # the first time, too, before $8200 has been called
    first, second = spent.routine("$8100"), spent.routine("$8200")
    assert first.lengths.counts.keys() == {2 + 3 + 6}
    assert second.lengths.counts.keys() == {6}
    assert (first.calls, second.calls) == (10, 20)
    assert [one.place.address for one in spent.routines] == [0x8200, 0x8100]  # by cycles of their own


def test_what_is_called_where_the_run_does_not_come_is_a_routine_all_the_same(tmp_path):
    # main: LDA #0, BNE over, JSR $8100, JMP main; over: JSR $8200. $8100: JMP $8200. $8200: RTS
    code = {0x8000: START + "A900D006" + "2000814C0480" + "2000824C0480", 0x8100: "4C0082", 0x8200: "60"}
    spent = run(tmp_path, code, cycles=7 + 6 + (2 + 2 + 6 + 3 + 6 + 3) * 10)
    assert figures(spent, 0x8200) == (10, 60, 60)
    assert figures(spent, 0x8100) == (10, 30, 90)


def test_a_jsr_that_reset_breaks_off_calls_nothing(tmp_path):
    path = asking(tmp_path, image({0x8000: START + "20008180FB", 0x8100: "60"}), cpu="65C02", nmi=200)
    path.write_text(path.read_text().replace('EDGE = "NMI"', 'EDGE = "RESET"'))
    machine = Machine.load(path)
    spent = time_spent(machine, cycles=40_000)
    assert spent.sequences > 100 * 7  # in any phase of JSR, RTS, BRA
    assert spent.cycles == sum(node.cycles for node in spent.tree)
    assert [one.place.address for one in spent.routines] == [0x8100]
    assert spent.routine("$8100").lengths.counts.keys() == {6}


def test_an_undefined_opcode_of_the_nmos_part_is_no_jump(tmp_path):
    # main: JSR $8100, JSR $8103, JMP. $8100: $7C, which is NOP absolute,X there; $8103: RTS
    code = {0x8000: START + "2000812003814C0480", 0x8100: "7C0003" + "60"}
    spent = run(tmp_path, code, cycles=7 + 6 + (6 + 4 + 6 + 6 + 6 + 3) * 10)
    assert figures(spent, 0x8103) == (10, 60, 60)


def test_a_reset_ends_all_calls_and_is_nobody_s_line(tmp_path):
    machine = Machine.load(asking(tmp_path, image({0x8000: START + "20008160", 0x8100: "4C0081"})))
    measured = SpentWatch(machine)
    machine.run(cycles=1000)
    machine.reset()
    machine.run(seconds=1.5)
    spent = measured.stop()
    assert spent.routine("$8100").calls == 2  # each time from the beginning
    assert [len(node.below) for node in (spent.tree[0], spent.tree[0].below[0])] == [1, 0]
    assert spent.own > spent.sequences > 14
    assert sum(one.cycles for one in spent.lines) + spent.sequences == spent.cycles


def test_a_routine_that_jumps_to_itself_is_one_call(tmp_path):
    # main: LDX #3, JSR $8100, JMP; $8100: DEX, BMI to RTS, JMP $8100
    spent = run(tmp_path, {0x8000: START + "A2032000814C0480", 0x8100: "CA30034C008160"}, cycles=6000)
    assert spent.routine("$8100").lengths.counts.keys() == {3 * (2 + 2 + 3) + 2 + 3 + 6}


def test_return_addresses_that_are_thrown_away_end_their_calls(tmp_path):
    # main: JSR $8100, JMP. $8100: JSR $8200, RTS. $8200: PLA, PLA, RTS goes back to main
    spent = run(tmp_path, {0x8000: START + "2000814C0480", 0x8100: "20008260", 0x8200: "686860"}, cycles=4000)
    assert spent.routine("$8100").worst == 6 + 4 + 4 + 6
    assert spent.routine("$8200").lengths.number == 0
    assert spent.routine("$8200").cycles == spent.routine("$8200").own
    with pytest.raises(SimkitError, match="No call of"):
        _ = spent.routine("$8200").worst


def test_a_stack_pointer_set_anew_ends_all_calls(tmp_path):
    # main: TXS, JSR $8100. $8100: JSR $8200. $8200: JMP $8002, which is TXS
    spent = run(tmp_path, {0x8000: START + "20008160", 0x8100: "200082", 0x8200: "4C0280"}, cycles=50_000)
    depth, node = 0, spent.tree[0]
    while node.below:
        assert len(node.below) == 1
        depth, node = depth + 1, node.below[0]
    assert depth == 2
    assert spent.own + spent.routine("$8100").own + spent.routine("$8200").own == spent.cycles


def test_two_programs_that_take_turns_on_two_stacks_lose_no_cycle(tmp_path):
    # A on $01FF down calls $8100, which sets S to B's stack and goes on there by RTS; B calls $8200, which goes back.
    # $8100: TSX, STX $10, LDX $11, TXS, RTS; $8200: TSX, STX $11, LDX $10, TXS, RTS
    start = "A9848D8101A9FF8D8001A27F8611A2FF9A2000814C1180"  # $0180: $84FF, so that B begins at $8500
    spent = run(
        tmp_path,
        {0x8000: start, 0x8100: "BA8610A6119A60", 0x8200: "BA8611A6109A60", 0x8500: "2000824C0085"},
        cycles=40_000,
    )
    assert sum(node.cycles for node in spent.tree) == spent.cycles >= 40_000
    assert spent.routine("$8100").calls > 500
    assert spent.routine("$8100").lengths.number > 500  # each comes back: the calls never nest on and on

    def depth(node):
        return 1 + max(map(depth, node.below), default=0)

    assert depth(spent.tree[0]) <= 3


def test_both_engines_and_pieces_of_any_size_tell_the_same(tmp_path, short_ring, monkeypatch):
    path = asking(tmp_path, made_up(5, False), seed=3, irq=200, nmi=700, wait=2)
    found = []
    for engine, piece_bytes in (("exact", 400_000), ("auto", 400_000), ("auto", 8), ("auto", 8 * 997)):
        monkeypatch.setattr(watch, "_PIECE_BYTES", piece_bytes)
        found.append(time_spent(Machine.load(path, engine=engine), cycles=20_000))
    assert found[0] == found[1] == found[2] == found[3]
    assert len(found[0].routines) > 1 < len(found[0].handlers)


@given(
    code=st.binary(min_size=300, max_size=300),
    cpu=st.sampled_from(("6502", "65C02")),
    rates=st.tuples(st.sampled_from((0, 40, 300)), st.sampled_from((0, 60, 500)), st.sampled_from((0, 2, 200))),
)
@settings(max_examples=examples(60), deadline=None)
def test_whatever_runs_each_cycle_is_told_once(made_up_machine, code, cpu, rates):
    # Bytes at random: stacks that run over, BRK everywhere, opcodes that halt, S set to anything.
    irq, nmi, wait = rates
    content = {0x8000: "A2FF9A58" + code.hex(), 0x9000: ANSWER + "40", 0x9100: "40"}
    path = asking(made_up_machine, image(content, nmi=0x9100, irq=0x9000), cpu=cpu, irq=irq, nmi=nmi, wait=wait)
    machine = Machine.load(path)
    spent = time_spent(machine, cycles=3000)
    assert spent.cycles == machine.cycle
    assert sum(node.cycles for node in spent.tree) == spent.cycles
    assert sum(one.cycles for one in spent.lines) + spent.sequences == spent.cycles
    assert spent.own + sum(one.own for one in spent.routines) + sum(one.own for one in spent.tree[1:]) == spent.cycles
    assert all(one.cycles <= spent.cycles and one.lengths.number <= one.calls for one in spent.routines)
    assert spent_text(spent)
    check_texts(drawn(spent))


@pytest.fixture(scope="module")
def made_up_machine(tmp_path_factory):
    return tmp_path_factory.mktemp("made-up")


@pytest.mark.parametrize("how", ["state", "power"])
def test_it_goes_on_behind_a_power_cycle_and_a_state_that_is_loaded(tmp_path, how):
    machine = Machine.load(asking(tmp_path, image({0x8000: START + "2000814C0480", 0x8100: "60"})))
    machine.run(cycles=1000)
    state = machine.save_state()
    measured = SpentWatch(machine)
    for _ in range(3):
        if how == "power":
            machine.power_cycle()
        else:
            machine.load_state(state)
        machine.run(cycles=1000)
    spent = measured.stop()
    assert 3000 <= spent.cycles < 3030
    assert sum(node.cycles for node in spent.tree) == spent.cycles
    assert sum(one.cycles for one in spent.lines) + spent.sequences == spent.cycles
    assert spent.sequences == (21 if how == "power" else 0)
    assert spent.routine("$8100").worst == 6


def test_a_routine_is_found_by_any_of_its_names(tmp_path):
    labels = "start = $8000\nstep = $8100\nadvance = $8100\n"
    path = asking(tmp_path, image({0x8000: START + "20008120018120018160", 0x8100: "EA60"}), labels=labels)
    spent = time_spent(Machine.load(path), cycles=60)
    assert spent.routine("step") == spent.routine("advance") == spent.routine("$8100")
    assert spent.routine("step").name == "step"
    assert spent.routine("step+1").place.address == 0x8101


def test_a_limit_on_what_never_was_fails(tmp_path):
    spent = run(tmp_path, {0x8000: START + "4C0480"}, cycles=100)
    with pytest.raises(SimkitError, match="No JSR went to 'draw'"):
        spent.routine("draw")
    with pytest.raises(SimkitError, match="No request at this line"):
        _ = spent.latency["IRQ"].worst
    with pytest.raises(SimkitError, match="No handler of 'NMI'"):
        spent.handler("NMI")
    with pytest.raises(SimkitError, match="No frame was followed"):
        _ = spent.frames_missed
    assert spent.in_handlers == 0
