"""The last of something before a moment is that of a recording of every cycle, whatever is asked, on both engines."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine import past as past_module

PLACES = ("$0012", "SPRITES", "$01FE", "$0000", "$8021")
REGISTERS = {"4.port_1": (0x7F22,), "4.PORT_2": (0x7F23,), "5.data": (0x7F30,)}


def addresses(name):
    machine = Machine.load("demo:marlpit")
    if name in REGISTERS:
        return set(REGISTERS[name])
    return {int(name[1:], 16) if name.startswith("$") else machine.labels[name]}


@st.composite
def stories(draw):
    """What is done to a machine: runs, with what people do between them."""
    deeds = st.one_of(
        st.tuples(st.just("run"), st.integers(1, 5_000)),
        st.tuples(st.just("press"), st.sampled_from(("left", "right", "start"))),
        st.tuples(st.just("release"), st.sampled_from(("left", "right", "start"))),
        st.tuples(st.just("poke"), st.integers(0, 255)),
        st.tuples(st.just("a"), st.integers(0, 255)),
        st.tuples(st.just("reset"), st.none()),
    )
    return [*draw(st.lists(deeds, min_size=1, max_size=8)), ("run", 3_000)]


def do(machine, story, before_reset=lambda: None):
    held = set()
    is_reset = False
    for deed, value in story:
        if deed == "run":
            machine.run(cycles=value)
            is_reset = False
        elif deed == "press" and value not in held:
            held.add(value)
            machine.pads[1].press(value)
        elif deed == "release" and value in held:
            held.remove(value)
            machine.pads[1].release(value)
        elif deed == "poke":
            machine.poke(0x12, value)
        elif deed == "a":
            machine.cpu.a = value
        elif deed == "reset":
            if not is_reset:
                before_reset()
            machine.reset()
            is_reset = True


def recorded(start, story):
    """Every bus cycle: (cycle, address, data, is_write, fetch, instruction).

    Where RESET comes between two instructions, the second one was next all the same: its first cycle counts as begun.
    """
    machine = Machine.load("demo:marlpit", engine="exact")
    machine.load_state(start)
    seen, pc = [], [None]

    def see(c):
        if c.is_fetch and c.kind == "instruction":
            pc[0] = c.address
        seen.append((c.cycle, c.address, c.cpu_data, c.is_write, c.is_fetch and c.kind == "instruction", pc[0]))

    def was_next():
        at = machine.cpu.pc
        seen.append((machine.cycle, at, None, None, True, at))

    machine.add_probe(see)
    do(machine, story, was_next)
    return seen, machine.cycle


@pytest.fixture(scope="module")
def start():
    """The game just before its first round of the main loop."""
    machine = Machine.load("demo:marlpit")
    machine.run("label:main_loop")
    return machine.save_state()


@pytest.fixture(params=["exact", "auto"])
def engine(request):
    return request.param


@given(story=stories(), data=st.data())
@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_answer_is_that_of_a_recording_of_every_cycle(engine, start, story, data):
    seen, end = recorded(start, story)
    machine = Machine.load("demo:marlpit", engine=engine)
    machine.load_state(start)
    past = machine.remember(every=data.draw(st.integers(200, 6_000)))
    do(machine, story)
    assert machine.cycle == end
    kind = data.draw(st.sampled_from(("read", "write", "access", "label")))
    number = data.draw(st.integers(1, 4))
    limit = data.draw(st.integers(past.begins, end))
    if kind == "label":
        name = data.draw(st.sampled_from(("main_loop", "wait_until_drawn", "read_inputs")))
        wanted = addresses(name)
        found = [one for one in seen if one[4] and one[1] in wanted]
    else:
        registers = ["4.port_1", "4.PORT_2"] if kind == "read" else ["5.data"] if kind == "access" else []
        name = data.draw(st.sampled_from((*PLACES, *registers)))
        wanted = addresses(name)
        kinds = (True, False) if kind == "access" else (kind == "write",)
        found = [one for one in seen if one[1] in wanted and one[3] in kinds]
    found = [one for one in found if one[0] < limit]
    answer = machine.before(limit, last=f"{kind}:{name}#{number}")
    if len(found) < number:
        assert answer is None
        return
    cycle, address, byte, is_write, _, pc = found[-number]
    assert (answer.cycle, answer.pc) == (cycle, pc)
    if kind != "label":
        assert (answer.access.address, answer.value, answer.access.is_write) == (address, byte, is_write)


def test_registers_are_asked_for_by_the_addresses_at_which_the_cards_answer():
    machine = Machine.load("demo:marlpit")
    for name, (address,) in REGISTERS.items():
        assert [f"{seat.slot}." for seat, _ in machine.bus.where(address)] == [name[:2]], name


def loaded(start, engine="auto"):
    machine = Machine.load("demo:marlpit", engine=engine)
    machine.load_state(start)
    return machine


def test_moments_of_all_kinds_stand_before_and_after(start, engine):
    """Each arrival is compared with a plain run that waits for it; the first one is where the past begins."""
    machine = loaded(start, engine)
    begins = machine.cycle
    machine.remember(every=9_000)
    machine.run(cycles=35_000)
    again = loaded(start)
    times = [begins]
    for number in (1, 2):
        again.run("label:main_loop")
        times.append(again.cycle)
        assert machine.before(again.cycle + 1, last="label:main_loop").cycle == again.cycle, number
    assert machine.before("label:main_loop#3", last="label:main_loop").cycle == times[1]
    assert machine.before("label:main_loop#3+1c", last="label:main_loop").cycle == times[2]
    assert machine.before(f"{machine.cycle}c", last="label:main_loop#2").cycle == times[1]
    assert machine.before("label:main_loop", last="label:main_loop") is None


def test_a_text_comes_when_a_run_that_waits_for_it_sees_it():
    plain, machine = Machine.load("demo:marlpit"), Machine.load("demo:marlpit")
    seen = []
    for one in (plain, machine):
        one.run(cycles=300_000)
    plain.when('text:"SLUG"', seen.append)
    plain.run(cycles=180_000)
    machine.remember(every=30_000)
    machine.run(cycles=180_000)
    assert machine.before(last='text:"SLUG"').cycle == seen[0] > 400_000
    assert machine.before('text:"SLUG"', last="write:$0012").cycle < seen[0]
    assert machine.before(last="text:NEVER") is None


def test_a_text_on_a_terminal_is_put_together_of_all_that_was_sent():
    plain, machine = Machine.load("demo:monitor"), Machine.load("demo:monitor")
    seen = []
    plain.when('text:"list of words"', seen.append)
    past = machine.remember(every=5_000)
    for one in (plain, machine):
        one.run(cycles=300_000)
    assert [machine.before(last='text:"list of words"').cycle] == seen
    assert past.states > 5


def test_a_finding_is_found_again_with_what_it_said():
    machine = Machine.load("demo:pad-test", clock="4 MHz")
    machine.remember(every=1_000)
    machine.run(cycles=6_000)
    first = next(one for one in machine.findings if one.rule == "video-write-strobe-too-narrow")
    found = machine.before(first.cycle + 1, last=f"finding:{first.rule}")
    assert (found.cycle, found.pc, found.finding.message) == (first.cycle, first.pc, first.message)
    assert first.rule in str(found)


def test_the_answer_tells_registers_and_what_led_to_it(start):
    machine = Machine.load("demo:marlpit")
    machine.load_state(start)
    machine.remember(every=2_000)
    machine.run(cycles=50_000)
    found = machine.before(last="write:$01FE")
    again = Machine.load("demo:marlpit", engine="exact")
    again.load_state(start)
    again.run_to(found.cycle + 1)
    registers = {name: getattr(again.cpu, name) for name in ("a", "x", "y", "sp")}
    assert {name: found.registers[name] for name in registers} == registers
    assert found.led[-1].address == found.pc
    assert str(found).startswith(f"Cycle {found.cycle:,}".replace(",", " "))
    assert found.as_dict()["access"]["data"] == found.value


def test_memory_is_bounded_however_long_it_runs(start):
    machine = Machine.load("demo:marlpit")
    machine.load_state(start)
    past = machine.remember(every=100)
    machine.run(cycles=100_000)
    assert 10 < past.states <= past_module.MOST_STATES
    assert past.begins < 600_000
    for _ in range(200):
        machine.poke(0x12, 1)
        machine.run(cycles=5)
    assert past.states <= past_module.MOST_STATES
    found = machine.before(last="access:$0012")
    assert found.cycle > past.begins


def test_a_state_loaded_and_a_power_cycle_begin_a_new_past(start):
    machine = Machine.load("demo:marlpit")
    past = machine.remember()
    machine.run(cycles=5_000)
    machine.load_state(start)
    assert past.begins == machine.cycle
    machine.run(cycles=5_000)
    machine.power_cycle()
    assert past.begins == 0
    machine.run(cycles=1_000)
    assert machine.before(last="write:SPRITES").cycle < 1_000


@pytest.mark.parametrize("inside", [False, True])
def test_a_fault_begins_a_new_past_in_which_it_is(start, inside):
    machine = Machine.load("demo:marlpit")
    machine.load_state(start)
    machine.remember(every=3_000)
    machine.run(cycles=10_000)
    if inside:
        machine.step_cycle()
    machine.add_fault("slot 4: D3 stuck low")
    begins = machine.cycle
    machine.run(cycles=80_000)
    found = machine.before(last="read:4.port_1")
    assert found.value == 0xF7
    assert machine.past.begins - begins < 8


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"last": "2s"}, "The last '2s' is nothing that happens."),
        ({"last": "write:$12+5c"}, "The last 'write:$12+5c' is nothing that happens."),
        ({"last": "write:4.port_1"}, "is only read."),
        ({"last": "read:4.port_9"}, "has no register 'port_9'."),
        ({"last": "read:9.port_1"}, "There is no card in slot 9."),
        ({"last": "label:nowhere"}, "There is no label 'nowhere'."),
        ({"last": "read:1.x"}, "has no register 'x'."),
        ({"moment": "label:main_loop#99", "last": "read:$12"}, "for the 99th time did not come from cycle 0 to"),
    ],
)
def test_wrong_questions_get_one_message(words, said):
    machine = Machine.load("demo:marlpit")
    machine.remember()
    machine.run(cycles=1_000)
    with pytest.raises(SimkitError) as told:
        machine.before(**words)
    assert said in str(told.value)


def test_without_a_past_it_says_what_to_do_first():
    with pytest.raises(SimkitError, match=r"Call m\.remember\(\) before it runs"):
        Machine.load("demo:marlpit").before(last="read:$12")


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_a_run_waits_for_a_register_as_for_its_address(start, engine):
    plain, named = (Machine.load("demo:marlpit", engine=engine) for _ in range(2))
    plain.load_state(start)
    named.load_state(start)
    plain.run(read=0x7F22)
    named.run(read="4.PORT_1")
    assert named.cycle == plain.cycle
    plain.run(access=0x7F22)
    named.run("access:4.port_1")
    assert named.cycle == plain.cycle
