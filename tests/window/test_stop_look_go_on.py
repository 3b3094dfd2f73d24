"""Stop, look, go on: one instruction, one frame, to a moment; what the machine holds lies beside the picture."""

import pytest

from simkit import Machine
from simkit.window.look import changes, stand_of

COUNT = """
name = "Count"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "count.bin"
[[card]]
slot = 2
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
"""


@pytest.fixture
def count(bench, tmp_path):
    """LDA #$41, LDX #0, INX, STX $10, JMP $8004: a machine that has neither screen nor lamps."""
    image = bytearray(b"\xff" * 0x8000)
    image[0:10] = bytes.fromhex("A941 A200 E8 8610 4C0480")
    image[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "count.bin").write_bytes(image)
    (tmp_path / "machine.toml").write_text(COUNT)
    return bench(Machine.load(tmp_path))


def texts(window):
    return [line.text for line in window.app.desk.pane.lines]


def headings(window):
    return [line.text for line in window.app.desk.pane.lines if line.heading]


def step(window):
    """One instruction; the bar stays open for the next."""
    if window.app.bar.is_open:
        window.stroke("enter")
    else:
        window.choose("One instruction")


def test_one_instruction_after_another_names_only_what_changed(count):
    machine = count.machine
    count.choose("Pause")
    while machine.cpu.pc != 0x8000:
        step(count)
    step(count)
    assert machine.cpu.pc == 0x8002
    assert texts(count)[:2] == ["What changed in 2 cycles", texts(count)[1]]
    assert texts(count)[1].startswith("A became $41")
    assert "X" not in texts(count)[1]
    step(count)
    assert texts(count)[1].endswith("zero set")
    step(count)
    assert texts(count)[1] == "X became $01, zero cleared"
    assert count.app.bar.is_open
    assert texts(count)[3].startswith("STX $10 at $8005")
    assert texts(count)[texts(count).index(f"CPU: {machine.description.cpu}") - 1].startswith("INX at $8004")


def test_rounds_of_a_loop_are_told_once_with_what_led_into_it(hello):
    """A waiting loop would fill the pane otherwise."""
    hello.ticks(100)
    hello.choose("Pause")
    begin = texts(hello).index("Last instructions") + 1
    lines = texts(hello)[begin : texts(hello).index(f"CPU: {hello.machine.description.cpu}")]
    assert any(" times, up to cycle " in line for line in lines), lines
    addresses = [line.split(" at $")[1][:4] for line in lines if " at $" in line]
    assert len(set(addresses)) == len(addresses)


def test_what_the_pane_says_of_the_slots_is_what_show_says(count):
    count.choose("Look inside")
    assert "ROM (slot 1)" in headings(count)
    for card in count.machine.cards.values():
        at = texts(count).index(card.title)
        assert texts(count)[at + 1 : at + 1 + len(card.words())] == card.words()
    assert count.app._words().foot.state.startswith("Paused at 0.0")
    count.choose("Hide the inside")
    assert count.app.desk.pane is None
    assert count.app.going.paused


def test_one_frame_is_a_frame_of_the_screen_and_go_on_takes_the_pane_away(hello):
    machine = hello.machine
    hello.choose("One frame")
    before = machine.cycle
    hello.stroke("enter")
    assert 0 <= machine.cycle - before - machine.screen.frame_cycles < 10
    assert hello.app.painter.layout.picture.width >= 284
    hello.ticks(100)
    assert machine.cycle - before < 2 * machine.screen.frame_cycles
    hello.stroke("escape")
    hello.choose("Go on")
    hello.ticks(100)
    assert hello.app.desk.pane is None
    assert machine.cycle - before > 3 * machine.screen.frame_cycles


def write(window, text):
    for character in text:
        window.post(window.pygame.TEXTINPUT, text=character)
    window.ticks(5)


def test_it_runs_to_a_moment_and_stands_there(hello):
    machine = hello.machine
    hello.choose("Run to a moment")
    write(hello, "+50x")
    hello.down("a")  # the same key as the host sees it is not the machine's
    hello.up("a")
    hello.stroke("backspace")
    write(hello, "00c")
    start = machine.cycle
    hello.stroke("enter")
    assert hello.app._words().foot.state == "Running to +5000c."
    hello.until(lambda: hello.app.going.paused, 200)
    assert 5000 <= machine.cycle - start < 25_000
    assert hello.app.desk.pane is hello.app.look
    hello.choose("Go on")
    hello.ticks(100)
    assert hello.codes() == []


@pytest.mark.parametrize(("text", "message"), [("tea", "tea"), ("1c", "1c has gone by"), ("\0\x1b5", "5")])
def test_a_moment_that_is_none_is_told_and_asked_again_until_escape(hello, text, message):
    hello.choose("Run to a moment")
    write(hello, text)
    hello.stroke("enter")
    assert message in hello.app._words().question
    assert hello.app.desk.question is not None
    hello.stroke("escape")
    assert hello.app._words().question == ""
    assert not hello.app.going.paused


def test_a_halted_cpu_is_told_in_the_frame_and_steps_on_without_harm(bench):
    """STP of a W65C02S stops the clock inside until RESET (W65C02S data sheet, section 7)."""
    window = bench(Machine.load("demo:traps"))
    window.machine.poke(0x8043, 0xDB)
    window.until(lambda: window.machine.cpu.halted, 1000)
    window.ticks(50)
    assert window.app._words().foot.state.startswith("The CPU ")
    window.choose("One instruction")
    window.stroke("enter", "enter")
    assert ", the CPU " in window.app._words().foot.state
    assert texts(window)[texts(window).index("Next") + 1].endswith("; RESET takes it on.")


def test_a_machine_that_is_switched_off_is_not_stepped(hello):
    hello.choose("Power off")
    cycle = hello.machine.cycle
    for words in ("One instruction", "One frame", "Run to a moment", "Look inside"):
        hello.choose(words)
        hello.stroke("escape")
        assert hello.app.notice.text == "The machine is switched off."
    assert hello.machine.cycle == cycle
    assert hello.app.desk.question is None


def test_a_power_cycle_while_it_stands_starts_anew_without_a_comparison(hello):
    hello.choose("Pause")
    hello.choose("Power off")
    hello.choose("Power on")
    hello.choose("Pause")
    assert headings(hello)[0] == "Next"


def test_changes_of_cards_are_told_with_the_card(hello):
    machine = hello.machine
    before = stand_of(machine)
    machine.run(frames=1)
    told = changes(machine, before, stand_of(machine))
    assert any(text.startswith("Video card (slot 4): beam at line") for text in told)


@pytest.mark.parametrize("size", [(300, 280), (640, 480), (800, 600), (1280, 720), (1920, 1080), (120, 90)])
def test_panes_and_bar_fit_into_every_window(hello, size):
    hello.pygame.display.set_mode(size)
    hello.post(hello.pygame.VIDEORESIZE, size=size, w=size[0], h=size[1])
    hello.choose("Look inside")
    hello.ticks(30)
    layout = hello.app.painter.layout
    assert layout.pane.x + layout.pane.width == size[0]
    assert layout.pane.y + layout.pane.height <= layout.foot.y
    if size[0] >= 640:
        assert layout.picture.x + layout.picture.width <= layout.pane.x
    hello.turn_bar()
    hello.stroke("left")  # the last entry is in sight
    hello.ticks(30)
    quit_box = hello.app.painter._entry_boxes[-1]
    assert quit_box.width > 0
    assert quit_box.y + quit_box.height <= size[1]


@pytest.mark.parametrize(
    ("text", "where"), [("label:$8004", 0x8004), ("write:$10#3", 0x8007), ("label:$8004+20c", None)]
)
def test_it_runs_to_an_event_and_stands_right_behind_it(count, text, where):
    count.choose("Run to a moment")
    write(count, text)
    count.stroke("enter")
    count.until(lambda: count.app.going.paused, 300)
    assert where in (None, count.machine.cpu.pc)
    if "#3" in text:
        assert count.machine.cpu.x > 2
    count.choose("Go on")
    count.ticks(20)
    assert not count.app.going.paused


def test_a_moment_that_is_given_up_is_waited_for_no_more(count):
    count.choose("Run to a moment")
    write(count, "finding:contention")
    count.stroke("enter")
    assert count.app._words().foot.state == "Running to finding:contention."
    count.choose("Pause")
    count.choose("Go on")
    count.machine.findings.add("contention", 5, "Two drivers.")
    count.ticks(50)
    assert not count.app.going.paused
