"""Speed as a choice: machine time beside host time, what is said of it, and that hands work at every speed."""

from fractions import Fraction

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.outside.speed import Speed, read_speed

HZ = 2_000_000


@pytest.fixture
def at_speed(bench, hello_state):
    """A window on the machine of `simkit new machine`, on a host that makes 40 million cycles a second."""

    def make(speed):
        folder, state = hello_state
        machine = Machine.load(folder)
        machine.load_state(state)
        window = bench(machine, speed=speed)
        real_run = machine.run

        def run(cycles):
            window.clock.seconds += cycles / 40_000_000
            return real_run(cycles=cycles)

        machine.run = run
        return window

    return make


@pytest.mark.parametrize(("speed", "factor"), [("half", 0.5), ("real", 1), ("double", 2), ("fast", 20)])
def test_machine_time_goes_as_the_speed_says(at_speed, speed, factor):
    window = at_speed(Speed(speed))
    window.ticks(100)
    cycle, seconds = window.machine.cycle, window.clock.seconds
    window.ticks(500)
    went = window.clock.seconds - seconds
    assert (window.machine.cycle - cycle) / HZ == pytest.approx(went * factor, rel=0.03)


def test_the_bar_turns_through_the_speeds_and_stays_open(at_speed):
    window = at_speed(Speed.REAL)
    window.turn_bar()
    number = next(n for n, words in enumerate(window.app.bar.words()) if words.startswith("Speed"))
    window.stroke(*["right"] * number)
    seen = []
    for _ in range(5):
        seen.append(window.app.bar.words()[number])
        window.stroke("enter")
    assert seen == ["Speed: real", "Speed: double", "Speed: as fast as it goes", "Speed: half", "Speed: real"]
    assert window.app.bar.is_open


@pytest.mark.parametrize(
    ("speed", "words"),
    [
        ("half", "half speed"),
        ("real", ""),
        ("double", "double speed"),
        ("fast", "as fast as it goes: 20.0 times 2 MHz"),
    ],
)
def test_the_title_says_what_is_reached(at_speed, speed, words):
    window = at_speed(Speed(speed))
    window.ticks(3000)
    caption = window.pygame.display.get_caption()[0]
    assert caption == (f"hello: {words}" if words else "hello")


def test_the_strip_says_what_is_reached_of_a_speed_just_chosen(at_speed):
    window = at_speed(Speed.DOUBLE)
    window.choose("Speed")
    assert window.app._words().message == "As fast as it goes."
    window.ticks(1000)
    assert window.app._words().message == "As fast as it goes: 20.0 times 2 MHz."
    window.ticks(5000)
    assert window.app._words().message == ""
    assert window.app._words().foot.state == "As fast as it goes: 20.0 times 2 MHz."  # the bar is still open


def test_a_host_that_falls_short_is_told_once_in_the_strip(bench, hello_state):
    folder, _ = hello_state
    machine = Machine.load(folder)
    window = bench(machine)
    real_run = machine.run

    def run(cycles):
        window.clock.seconds += cycles / 1_000_000
        return real_run(cycles=cycles)

    machine.run = run
    window.ticks(5500)  # the first message has gone
    window.ticks(700)
    assert window.app._words().message == "This computer reaches 50% of 2 MHz."
    window.ticks(6000)
    assert window.app._words().message == ""
    assert window.pygame.display.get_caption()[0] == "hello: this computer reaches 50% of 2 MHz"
    window.turn_bar()
    assert window.app._words().foot.state == "This computer reaches 50% of 2 MHz."


@pytest.mark.parametrize("speed", list(Speed))
def test_a_stroke_is_one_stroke_at_every_speed(at_speed, speed):
    """80 ms of a finger are 1.6 s at twenty times the speed, in which the keyboard would repeat the key."""
    window = at_speed(speed)
    window.ticks(50)
    for key in ("a", "up"):
        window.down(key)
        window.ticks(80)
        window.up(key)
        window.ticks(50)
    window.ticks(100)
    assert window.codes() == ["1C", "F0", "1C", "E0", "75", "E0", "F0", "75"]


def test_a_key_held_for_long_repeats_as_fast_as_on_the_real_machine_when_it_goes_as_fast_as_it_can(at_speed):
    """Half a second, then 10.9 a second: IBM, Technical Reference, Personal Computer AT, 1984, p. 4-7, argument 2B."""
    window = at_speed(Speed.FAST)
    window.ticks(50)
    window.down("a")
    window.ticks(1000)
    window.up("a")
    window.ticks(50)
    assert 4 <= window.codes().count("1C") - 1 <= 8
    assert window.pygame.display.get_caption()[0].startswith("hello: as fast as it goes")
    cycle = window.machine.cycle
    window.ticks(100)
    assert window.machine.cycle - cycle > 1.5 * HZ  # and on as fast as it goes


@pytest.mark.parametrize("speed", list(Speed))
def test_what_is_pasted_arrives_whole_at_every_speed(at_speed, speed, monkeypatch):
    monkeypatch.setattr("simkit.window.deeds.clipboard_text", lambda: "Hi")
    window = at_speed(speed)
    window.choose("Paste")
    window.until(lambda: len(window.codes()) == 9)
    assert window.codes() == ["12", "33", "F0", "33", "F0", "12", "43", "F0", "43"]


@pytest.mark.parametrize("speed", list(Speed))
def test_a_quick_press_of_a_pad_lasts_a_frame_of_machine_time_at_every_speed(bench, speed):
    machine = Machine.load("demo:marlpit")
    window = bench(machine, speed=speed)
    window.down("left")
    window.up("left")
    window.pygame.event.pump()
    for event in window.pygame.event.get():
        window.app.hands.take(event)
    cycles = [cycle for cycle, _, _, port, _, _ in machine.bus.agenda.pending_outside() if port == "pads"]
    assert max(cycles) - min(cycles) == HZ // 50


@pytest.mark.parametrize("speed", list(Speed))
def test_a_pause_of_the_host_or_of_the_person_is_not_made_up_for(at_speed, speed):
    window = at_speed(speed)
    window.ticks(200)
    cycle = window.machine.cycle
    window.stall(60)
    window.ticks(100)
    factor = float(speed.factor or 20)
    assert window.machine.cycle - cycle < (0.1 + 0.02) * factor * HZ
    window.choose("Pause")
    cycle = window.machine.cycle
    window.stall(60)
    window.ticks(100)
    assert window.machine.cycle == cycle
    window.choose("Go on")
    cycle = window.machine.cycle
    window.ticks(100)
    assert window.machine.cycle - cycle < (0.1 + 0.02) * factor * HZ


def test_the_speed_stays_through_reset_and_power(at_speed):
    window = at_speed(Speed.HALF)
    window.choose("Reset")
    window.choose("Power off")
    window.choose("Power on")
    window.ticks(50)
    cycle = window.machine.cycle
    window.ticks(400)
    assert window.machine.cycle - cycle == pytest.approx(0.2 * HZ, rel=0.05)


def test_a_display_that_tells_its_pace_is_drawn_at_that_pace(at_speed, monkeypatch):
    import pygame

    monkeypatch.setattr(pygame.display, "get_current_refresh_rate", lambda: 100, raising=False)
    window = at_speed(Speed.REAL)
    drawn = []
    monkeypatch.setattr(window.app.painter, "draw", lambda *words, **more: drawn.append(window.clock.seconds))
    window.ticks(2000)
    assert len(drawn) == pytest.approx(200, abs=3)


@pytest.mark.parametrize("told", [0, 1, 100_000])
def test_a_display_that_tells_nonsense_is_drawn_at_60(at_speed, monkeypatch, told):
    import pygame

    monkeypatch.setattr(pygame.display, "get_current_refresh_rate", lambda: told, raising=False)
    window = at_speed(Speed.REAL)
    drawn = []
    monkeypatch.setattr(window.app.painter, "draw", lambda *words, **more: drawn.append(window.clock.seconds))
    window.ticks(2000)
    assert len(drawn) == pytest.approx(120, abs=3)


def test_a_cpu_that_has_halted_has_nothing_to_be_fast_for(bench, tmp_path):
    image = bytearray(b"\xdb" * 0x8000)  # STP
    image[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "stop.bin").write_bytes(image)
    (tmp_path / "machine.toml").write_text(
        'name = "Stopped"\nclock = "2 MHz"\ncpu = "65C02"\n'
        '[[card]]\nslot = 1\nkind = "rom"\nselect = "A15"\nimage = "stop.bin"\n'
        '[[card]]\nslot = 3\nkind = "led-row"\nselect = "0111 1111 0100 000x"\n'
    )
    window = bench(Machine.load(tmp_path), speed=Speed.REAL)
    window.ticks(50)
    window.app.pacer.run_at(Speed.FAST, window.machine.cycle)
    cycle = window.machine.cycle
    window.ticks(500)
    assert window.machine.cycle - cycle == pytest.approx(0.5 * HZ, rel=0.05)
    assert "the CPU is stopped by STP at $8000" in window.pygame.display.get_caption()[0]


@pytest.mark.parametrize(
    ("text", "factor", "words"),
    [
        ("0.1", "1/10", "0.1 times real speed"),
        ("10", "10", "10 times real speed"),
        ("1/4", "1/4", "0.25 times real speed"),
    ],
)
def test_a_speed_may_be_a_number(text, factor, words):
    found = read_speed(text)
    assert (found.factor, found.words) == (Fraction(factor), words)


def test_numbers_that_have_names_are_those_and_the_next_one_has_a_name():
    assert [read_speed(text) for text in ("half", "0.5", "1", "2", "fast")] == [
        Speed.HALF, Speed.HALF, Speed.REAL, Speed.DOUBLE, Speed.FAST,
    ]  # fmt: skip
    assert [read_speed(text).next for text in ("0.1", "0.7", "1.5", "10")] == [
        Speed.HALF, Speed.REAL, Speed.DOUBLE, Speed.FAST,
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["", "0", "-1", "quick", "1e9", "nan", "inf", "1/0", "9" * 50, "0.00001"])
def test_what_is_no_speed_is_told_with_what_to_write(text):
    with pytest.raises(SimkitError, match="is no speed") as caught:
        read_speed(text)
    assert "half, real, double, fast, or a number" in caught.value.remedy
