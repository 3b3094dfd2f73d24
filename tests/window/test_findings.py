"""Findings in the window: the first of each rule as it comes up, the count, the list, and the report on leaving."""

import json
import os
import signal
import subprocess
import sys

import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.window.app import App

START = [sys.executable, "-c", "from simkit.commands.main import main; main()"]


@pytest.fixture
def fast_marlpit(bench):
    """The society's machine at twice its clock: the video chip is written too fast."""
    return bench(Machine.load("demo:marlpit", clock="4 MHz"))


def shown(window):
    """What the foot and the strip say."""
    words = window.app._words()
    return words.foot, words.message


def test_the_first_finding_of_a_rule_is_told_with_label_and_source_line_and_the_count_goes_on(fast_marlpit):
    machine = fast_marlpit.machine
    fast_marlpit.until(lambda: "video-strobe-too-soon" in fast_marlpit.app.notice.text, 300)
    foot, message = shown(fast_marlpit)
    (line,) = [line for line in message.splitlines() if "video-strobe-too-soon" in line]
    assert line.startswith("Found: video-strobe-too-soon, Video card (slot 5) at $")
    assert "(set_register_1+5, " in line
    assert "video.asm:94): Control port accessed 1.50 us after the access before" in line
    assert foot.number == len(machine.findings.counts())
    assert foot.count == f"{len(machine.findings.counts())} findings, {sum(machine.findings.counts().values())} times"
    fast_marlpit.clock.seconds += 60
    fast_marlpit.app.pacer.begin(machine.cycle)
    before = machine.findings.count("video-strobe-too-soon")
    while machine.findings.count("video-strobe-too-soon") == before:
        fast_marlpit.ticks()
    assert "video-strobe-too-soon" not in fast_marlpit.app.notice.text  # told once


def test_a_rule_broken_anew_after_a_power_cycle_is_told_anew(hello):
    machine = hello.machine
    for _ in range(2):
        machine.findings.add("contention", machine.cycle, "Two drivers.", address=0x7F10, slot=3)
        hello.ticks(5)
        assert "Found: contention, Keyboard controller (slot 3) at $7F10" in hello.app.notice.text
        hello.choose("Power off")
        hello.choose("Power on")
        hello.ticks(5)
        assert shown(hello)[0].count == "No findings"


def test_many_rules_at_once_do_not_fill_the_window_and_nothing_in_a_message_breaks_it(hello):
    for number in range(40):
        hello.machine.findings.add(f"rule-{number}", 5, f"Bad \0\x1b[31m\n{'long ' * 200}.", slot=4)
    hello.ticks(30)
    foot, message = shown(hello)
    assert foot.count == "40 findings"
    assert "37 more were found; the count at the foot opens the list." in message
    picture, surface = hello.app.painter.layout.picture, hello.pygame.display.get_surface()
    colours = {tuple(surface.get_at((x, picture.y + 5)))[:3] for x in range(picture.x, picture.x + picture.width, 40)}
    assert (236, 232, 222) not in colours, "paper at the top of the picture"
    for size in ((60, 40), (300, 280), (1920, 1080)):
        hello.pygame.display.set_mode(size)
        hello.post(hello.pygame.VIDEORESIZE, size=size, w=size[0], h=size[1])
        hello.ticks(30)


@pytest.mark.parametrize("size", [(300, 280), (640, 480), (1920, 1080)])
def test_the_count_opens_a_list_with_what_where_why_and_what_to_do_that_is_scrolled_to_its_end(hello, size):
    for number in range(30):
        hello.machine.findings.add("contention", 5, "Two drivers.", address=0x7F10, slot=number, pc=0x8000)
    hello.pygame.display.set_mode(size)
    hello.post(hello.pygame.VIDEORESIZE, size=size, w=size[0], h=size[1])
    hello.ticks(30)
    count = hello.app.painter._count_box
    hello.post(hello.pygame.MOUSEBUTTONDOWN, button=1, pos=(count.x + 5, count.y + 5))
    hello.ticks(30)
    reading = hello.app.desk.pane
    texts = [line.text for line in reading.lines[:5]]
    assert texts[0] == "1. contention (error), slot 0, once"
    assert [text.split(":")[0] for text in texts[1:]] == ["What", "Where", "Why", "Do"]
    assert "first in cycle 5 at $8000" in texts[2]
    assert "$7F10" in texts[2]
    assert hello.app.painter.layout.pane.width >= 280
    hello.stroke("end")
    hello.ticks(30)
    rows = reading._rows[reading._top : reading._top + reading._shown_rows]
    assert rows[-1] == reading._rows[-1]
    hello.stroke("home", "page down")
    assert reading._top == reading._shown_rows - 1
    hello.post(hello.pygame.MOUSEWHEEL, x=0, y=1)
    hello.ticks(5)
    assert reading._top == max(0, reading._shown_rows - 4)
    assert hello.codes() == []  # nothing of it reached the machine
    hello.stroke("escape")
    assert hello.app.desk.pane is None
    hello.stroke("a")
    hello.until(lambda: len(hello.codes()) == 3)


def test_a_click_beside_the_list_gives_the_keys_back_and_its_close_word_takes_it_away(hello):
    hello.choose("Findings")
    hello.ticks(30)
    assert "Nothing has been found" in hello.app.desk.pane.lines[0].text
    hello.post(hello.pygame.MOUSEBUTTONDOWN, button=1, pos=(5, 100))
    hello.stroke("a")
    hello.until(lambda: len(hello.codes()) == 3)
    box = hello.app.desk.pane._close_box
    hello.post(hello.pygame.MOUSEBUTTONDOWN, button=1, pos=(box.x + 3, box.y + 3))
    hello.ticks(30)
    assert hello.app.desk.pane is None


def closed_after(monkeypatch, ticks):
    """The person closes the window after so many goes of its loop."""
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    tick, left = App.tick, [ticks]

    def count(app):
        tick(app)
        left[0] -= 1
        if not left[0]:
            app.leave()

    monkeypatch.setattr(App, "tick", count)


@pytest.mark.parametrize(("strict", "code"), [((), 0), (("--strict",), 1)])
def test_a_window_that_is_closed_leaves_the_report_of_a_headless_run(monkeypatch, capsys, strict, code):
    closed_after(monkeypatch, 5)
    with pytest.raises(SystemExit) as ended:
        main(["run", "demo:marlpit", "--clock", "4 MHz", *strict])
    out = capsys.readouterr().out.splitlines()
    assert ended.value.code == code
    assert out[2].startswith("Note: Keys that play pads reach Keyboard controller (slot 3) as well")
    assert out[3].startswith("Marlpit ran 0.")
    assert out[4].startswith("Next instruction: $")
    assert out[5] == "Findings:"
    assert out[6].startswith("  pad-clock-after-latch, Pad card (slot 4), once")


def test_json_of_a_window_is_all_that_stands_on_standard_output(monkeypatch, capsys):
    closed_after(monkeypatch, 5)
    with pytest.raises(SystemExit) as ended:
        main(["run", "demo:marlpit", "--strict", "--json"])
    captured = capsys.readouterr()
    told = json.loads(captured.out)
    assert (ended.value.code, told["machine"], told["stopped"]) == (0, "Marlpit", False)
    assert "runs in its window" in captured.err


@pytest.mark.skipif(sys.platform == "win32", reason="signals there are no requests")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_leaves_the_report_too(number, code):
    environment = {**os.environ, "SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "dummy"}
    window = subprocess.Popen(
        [*START, "run", "demo:marlpit", "--clock", "4 MHz", "--strict"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert "opens the bar" in window.stdout.readline()
        window.send_signal(number)
        out, errors = window.communicate(timeout=30)
    finally:
        window.kill()
        window.communicate()
    assert window.returncode == code
    assert "then it was stopped" in out
    assert "pad-clock-after-latch, Pad card (slot 4), once" in out
    assert "Traceback" not in errors
