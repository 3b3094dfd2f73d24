"""The terminal in the window: what the machine sends, what is typed, pasted, scrolled back."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.hands.terminal_screen import COLUMNS, ROWS, SCROLL_BACK, TerminalScreen
from simkit.window.terminal import Terminal


@pytest.fixture
def monitor(bench):
    """The society's workshop machine, whose only face is its serial line, when it has greeted."""
    machine = Machine.load("demo:monitor")
    machine.run(seconds=0.2)
    window = bench(machine)
    window.ticks(30)
    return window


def shown(window):
    return "\n".join(window.app.terminals[0].screen.lines)


def write(window, text):
    for character in text:
        window.post(window.pygame.TEXTINPUT, text=character)
    window.ticks(5)


def test_what_is_typed_reaches_the_machine_and_what_it_answers_is_shown(monitor):
    assert shown(monitor).endswith("Do: ")
    write(monitor, "lamps 82")
    monitor.stroke("backspace")
    write(monitor, "1")
    monitor.stroke("enter")
    monitor.until(lambda: shown(monitor).count("Do:") == 2, 1000)
    assert "Do: lamps 81\n" in shown(monitor)
    assert monitor.machine.lamps.levels == (True, False, False, False, False, False, False, True)
    assert monitor.machine.serial.text() == shown(monitor).rstrip()  # nothing was taken away by looking


def test_pasted_lines_are_sent_and_what_is_not_ascii_is_told(monitor, monkeypatch):
    monkeypatch.setattr("simkit.window.deeds.clipboard_text", lambda: "put 0400 a9 55\nlook 0400 to 0401\n")
    monitor.choose("Paste")
    monitor.until(lambda: shown(monitor).count("Do:") == 3, 2000)
    assert "a9 55" in shown(monitor).split("0401")[1]
    monkeypatch.setattr("simkit.window.deeds.clipboard_text", lambda: "naïve")
    monitor.choose("Paste")
    assert "'ï' is none" in monitor.app.notice.text


def test_the_bar_and_the_other_panes_have_the_keys_while_they_are_open(monitor):
    monitor.turn_bar()
    write(monitor, "look")
    monitor.stroke("escape")
    monitor.choose("Findings")
    write(monitor, "look")
    monitor.stroke("escape")
    monitor.ticks(100)
    assert shown(monitor).endswith("Do: ")
    assert monitor.app.terminals[0].has_keys is False  # a click gives it the keys again
    monitor.post(monitor.pygame.MOUSEBUTTONDOWN, button=1, pos=(50, 100))
    write(monitor, "bank")
    monitor.until(lambda: shown(monitor).endswith("Do: bank"), 500)


def test_a_power_cycle_drops_what_was_still_to_be_sent(monitor):
    write(monitor, "look 0000 to 7fff\r" * 3)
    monitor.choose("Power off")
    write(monitor, "bank")
    monitor.choose("Power on")
    monitor.ticks(300)
    assert shown(monitor).endswith("Do: ")


def test_a_machine_with_a_screen_and_a_serial_line_shows_the_terminal_when_asked(bench, tmp_path):
    (tmp_path / "machine.toml").write_text(
        f'base = "{Machine.load("demo:marlpit").description.path}"\n'
        '[[card]]\nslot = 7\nkind = "serial-6551"\nselect = "0111 1111 0101 00xx"\n'
    )
    window = bench(Machine.load(tmp_path))
    window.choose("Show the terminal")
    terminal = window.app.desk.pane
    assert isinstance(terminal, Terminal)
    assert "--terminal here, port:6551 or device" in terminal.head
    for size in ((300, 280), (640, 480), (800, 600), (1280, 720), (1920, 1080), (120, 90)):
        window.pygame.display.set_mode(size)
        window.post(window.pygame.VIDEORESIZE, size=size, w=size[0], h=size[1])
        window.ticks(30)
    window.choose("Hide the terminal")
    assert window.app.desk.pane is None


def fed(*pieces):
    screen = TerminalScreen()
    for piece in pieces:
        screen.feed(piece)
    return screen


def test_carriage_return_line_feed_backspace_and_bell():
    """ECMA-48, 5th edition, 8.3.15 (CR), 8.3.74 (LF), 8.3.5 (BS), 8.3.3 (BEL); from memory."""
    screen = fed(b"one\r\ntwo\x07\x08\x08W\n!")
    assert screen.lines == ["one", "tWo", "  !"]
    assert screen.rings == 1


def test_a_line_goes_on_in_the_next_behind_80_columns():
    assert fed(b"x" * 81).lines == ["x" * 80, "x"]
    assert fed(b"x" * 80 + b"\r\n").lines == ["x" * 80, ""]


def test_a_tab_goes_to_the_next_stop_and_not_out_of_the_line():
    assert fed(b"a\tb\tc").lines == ["a       b       c"]
    assert fed(b"\t" * 20 + b"x").lines == [" " * 79 + "x"]


def test_sequences_are_left_out_however_they_come_in_pieces():
    whole = b"a\x1b[1;31mb\x1b(Bc\x1b[2Jd\x1b7e"
    for cut in range(len(whole)):
        assert fed(whole[:cut], whole[cut:]).lines == ["abcde"]


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_whatever_comes_no_line_is_too_long_and_memory_is_bounded(pieces):
    screen = fed(*pieces, b"\n" * 10)
    assert all(len(line) <= COLUMNS for line in screen.lines)
    assert 0 <= screen.column <= COLUMNS
    assert "".join(screen.lines).isprintable()


def lines_back(terminal):
    return int(re.search(r"(\d+) lines? back", terminal.head)[1])


def test_what_went_up_is_kept_to_a_bound_and_scrolled_back(monitor):
    terminal = monitor.app.terminals[0]
    terminal.screen.feed(b"".join(b"\r\nline %d" % number for number in range(5000)))
    assert len(terminal.screen.lines) == SCROLL_BACK + ROWS
    monitor.stroke("page up")
    monitor.ticks(30)
    assert 0 < lines_back(terminal) < ROWS
    for _ in range(200):
        terminal.scroll(-ROWS)
    monitor.ticks(30)
    monitor.stroke("page down")
    write(monitor, "x")
    assert "back" not in terminal.head


def test_nothing_is_scrolled_back_where_all_of_the_text_is_seen(monitor):
    terminal = monitor.app.terminals[0]
    for _ in range(3):
        monitor.stroke("page up")
        monitor.ticks(30)
    assert "back" not in terminal.head


def test_what_is_scrolled_back_to_stays_where_it_is_while_the_machine_sends_on(monitor):
    terminal = monitor.app.terminals[0]
    sent = monitor.machine.serial.port.sent
    sent.extend((0, byte) for number in range(100) for byte in b"\r\nline %d" % number)
    monitor.ticks(30)
    monitor.stroke("page up")
    monitor.ticks(30)
    first = terminal.screen.lines[-lines_back(terminal) - 1]
    sent.extend((0, byte) for byte in b"\r\nmore" * 5)
    monitor.ticks(30)
    assert terminal.screen.lines[-lines_back(terminal) - 1] == first
    assert terminal.screen.lines[-1] == "more"


def test_no_line_is_under_a_message(monitor):
    terminal = monitor.app.terminals[0]
    monitor.machine.serial.port.sent.extend((0, byte) for byte in b"\r\nline" * 100)

    def page():
        monitor.ticks(30)
        monitor.stroke("page up")
        monitor.ticks(30)
        page = lines_back(terminal)
        terminal.scroll(1000)
        return page

    monitor.app.say("one\ntwo\nthree")
    with_message, cells = page(), set(terminal._cells)
    monitor.app.say("")
    assert with_message < page() == ROWS - 1
    assert set(terminal._cells) == cells  # letters of the same size


def test_lamps_are_dark_while_the_machine_is_switched_off(monitor):
    write(monitor, "lamps 81")
    monitor.stroke("enter")
    monitor.until(lambda: monitor.machine.lamps.levels[0], 1000)
    monitor.ticks(30)
    assert any(any(levels) for levels in monitor.app.painter._seen.lamps)
    monitor.choose("Power off")
    monitor.ticks(30)
    assert not any(any(levels) for levels in monitor.app.painter._seen.lamps)
