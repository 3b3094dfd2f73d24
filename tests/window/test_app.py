"""The window's loop, driven step by step on SDL's dummy driver: real events of the library, no display."""

import ctypes
import io
import sys
from pathlib import Path

import pytest

from simkit import Machine
from simkit.hands.pacing import SLICE_SECONDS
from simkit.looks.colours import PAPER, ROOM
from simkit.window.fresh import Fresh


def test_keys_arrive_by_physical_position_with_their_releases(hello):
    """Make 1C, break F0 1C for A; E0 75, E0 F0 75 for up. Brouwer, Keyboard scancodes, 9.6."""
    hello.stroke("a", "up")
    hello.until(lambda: len(hello.codes()) == 8)
    assert hello.codes() == ["1C", "F0", "1C", "E0", "75", "E0", "F0", "75"]


def test_keys_hit_in_one_go_all_arrive_in_order(hello):
    """Ten strokes between two looks of the loop: none is lost (the keyboard itself holds 16 bytes, IBM AT, p. 4-3)."""
    hello.down("q", "w", "e")
    hello.up("q", "w", "e")
    hello.ticks()
    hello.until(lambda: len(hello.codes()) == 9)
    assert hello.codes() == ["15", "1D", "24", "F0", "15", "F0", "1D", "F0", "24"]


def test_losing_the_focus_lets_go_of_every_key(hello):
    hello.down("left shift", "a")
    hello.ticks()
    hello.post(hello.pygame.WINDOWFOCUSLOST)
    hello.ticks()
    hello.until(lambda: len(hello.codes()) == 6)
    assert hello.codes() == ["12", "1C", "F0", "1C", "F0", "12"]
    assert hello.app.hands.keys.held == ()
    hello.up("a")  # the release that comes after all is no second one
    hello.ticks(100)
    assert len(hello.codes()) == 6


def test_opening_the_bar_lets_go_and_its_keys_stay_from_the_machine(hello):
    hello.down("a")
    hello.turn_bar()
    assert hello.app.bar.is_open
    hello.stroke("right", "left", "escape")
    assert not hello.app.bar.is_open
    hello.ticks(100)
    assert hello.codes() == ["1C", "F0", "1C"]


def test_from_a_key_to_the_register_takes_a_slice_and_the_line_s_time(hello):
    """11 bits of 80 us (SMSC, LPC47M102S, figure 33: 60 to 100 us), the controller's work, and at most a slice."""
    machine = hello.machine
    ready = lambda: machine.card(3).peek(0) & 1  # noqa: E731 - the status register's bit 0: a code waits
    hello.ticks(20)
    assert not ready()
    pressed_at = machine.cycle
    hello.down("a")
    seen = []
    probe = machine.add_probe(lambda bus: seen.append(bus.cycle) if bus.address == 0x7F11 else None)
    hello.until(lambda: seen)
    probe.remove()
    seconds = (seen[0] - pressed_at) / 2_000_000
    assert 11 * 60e-6 < seconds < SLICE_SECONDS + 11 * 100e-6 + 0.001


def test_real_time_is_kept(hello):
    cycle, seconds = hello.machine.cycle, hello.clock.seconds
    hello.ticks(500)
    assert (hello.machine.cycle - cycle) / 2_000_000 == pytest.approx(hello.clock.seconds - seconds, abs=0.005)


def test_pause_stops_machine_time_and_go_on_does_not_catch_up(hello):
    hello.choose("Pause")
    cycle = hello.machine.cycle
    hello.ticks(600)
    assert hello.machine.cycle == cycle
    assert hello.pygame.display.get_caption()[0] == "hello: paused"
    hello.choose("Go on")
    hello.ticks(10)
    assert 0 < hello.machine.cycle - cycle < 0.03 * 2_000_000


def test_reset_starts_the_program_anew(hello):
    hello.stroke("a")
    hello.until(lambda: len(hello.codes()) == 3)
    hello.choose("Reset")
    hello.ticks(100)
    assert "AA" not in hello.machine.screen.text()
    assert "HELLO!" in hello.machine.screen.text()


def test_power_off_makes_it_dark_and_on_starts_at_cycle_0(hello):
    hello.choose("Power off")
    cycle = hello.machine.cycle
    hello.ticks(50)
    box, surface = hello.app.painter.layout.picture, hello.pygame.display.get_surface()
    across, down = range(0, box.width, 50), range(0, box.height - 50, 50)  # above the message at the foot
    shown = {tuple(surface.get_at((box.x + x, box.y + y)))[:3] for x in across for y in down}
    assert shown == {(0, 0, 0)}
    assert hello.machine.cycle == cycle
    hello.choose("Power on")
    hello.ticks(20)
    assert 0 < hello.machine.cycle < 0.05 * 2_000_000


def test_screenshots_never_go_over_a_file(hello, tmp_path):
    hello.choose("Pause")
    hello.choose("Screenshot")
    hello.choose("Screenshot")
    pictures = sorted(tmp_path.glob("*.png"))
    assert len(pictures) == 2
    assert pictures[0].read_bytes() == pictures[1].read_bytes()
    assert pictures[0].read_bytes().startswith(b"\x89PNG")


def test_paste_types_the_clipboard(hello, monkeypatch):
    monkeypatch.setattr("simkit.window.deeds.clipboard_text", lambda: "Hi")
    hello.choose("Paste")
    hello.until(lambda: len(hello.codes()) == 9)
    assert hello.codes() == ["12", "33", "F0", "33", "F0", "12", "43", "F0", "43"]


def test_paste_says_when_a_character_cannot_be_typed(hello, monkeypatch):
    monkeypatch.setattr("simkit.window.deeds.clipboard_text", lambda: "naïve")
    hello.choose("Paste")
    assert "No key gives 'ï'." in hello.app.notice.text
    assert not hello.machine.bus.agenda.pending_outside()


def test_the_right_mouse_button_opens_the_bar_and_the_left_chooses(hello):
    hello.post(hello.pygame.MOUSEBUTTONDOWN, button=3, pos=(100, 300))
    hello.ticks(30)
    assert hello.app.bar.is_open
    box = hello.app.painter._entry_boxes[0]
    hello.post(hello.pygame.MOUSEBUTTONDOWN, button=1, pos=(box.x + 5, box.y + 5))
    hello.ticks(30)
    assert not hello.app.bar.is_open
    assert hello.app.bar.words()[0] == "Go on"


def test_the_picture_in_the_window_is_the_card_s_pixel_by_pixel(hello):
    hello.clock.seconds += 10  # the first message has gone
    hello.ticks(30)
    hello.choose("Pause")
    hello.ticks(30)
    layout, port = hello.app.painter.layout, hello.app.screen.port
    surface = hello.pygame.display.get_surface()
    pixels, left, top = port.pixels(hello.machine.cycle), port.margins[0], port.margins[2]
    for x, y in [(0, 0), (255, 191), (40, 33), (41, 36), (128, 60), (30, 34)]:
        at = (layout.picture.x + (left + x) * layout.across, layout.picture.y + (top + y) * layout.down)
        assert tuple(surface.get_at(at))[:3] == port.palette[pixels[y * 256 + x]]
    border = tuple(surface.get_at((layout.picture.x, layout.picture.y + layout.picture.height - 1)))[:3]
    assert border == port.palette[port.border(hello.machine.cycle)[-1][1]]


def test_a_border_of_several_colours_stands_in_window_and_picture_file_where_its_runs_say(hello):
    hello.choose("Pause")
    port, painter = hello.app.screen.port, hello.app.painter
    left, _, top, _ = port.margins
    wide, _ = port.size_with_border
    runs = ((0, 4), (3 * wide + 10, 8), ((top + 50) * wide + 5, 11), ((top + 193) * wide, 2))
    port.border = lambda cycle: runs
    hello.ticks(30)
    pygame, layout, surface = hello.pygame, painter.layout, hello.pygame.display.get_surface()
    saved = pygame.image.load(io.BytesIO(hello.app.screen.png()), "border.png")
    wanted = {(9, 3): 4, (10, 3): 8, (4, top + 50): 8, (5, top + 50): 11, (wide - 1, top + 192): 11, (0, top + 193): 2}
    for (x, y), colour in wanted.items():
        assert tuple(saved.get_at((x, y)))[:3] == port.palette[colour]
        at = layout.picture.x + x * layout.across, layout.picture.y + y * layout.down
        assert tuple(surface.get_at(at))[:3] == port.palette[colour]
    pixels = port.pixels(hello.machine.cycle)
    assert tuple(saved.get_at((left, top + 50)))[:3] == port.palette[pixels[50 * 256]]


def test_quit_ends_the_loop_and_closes_the_window(hello):
    hello.turn_bar()
    hello.down("left", "enter")
    hello.app.run()
    assert hello.pygame.display.get_surface() is None


def test_holding_a_pad_key_moves_the_player_and_the_keyboard_gets_the_key_as_well(bench):
    machine = Machine.load("demo:marlpit")
    window = bench(machine)
    window.ticks(5)
    window.down("left")
    window.ticks(60)
    assert not machine.peek(0x7F22) & 0x02  # pad 1: left is a 0 in bit 1
    actions = [action for _, _, _, port, action, _ in machine.bus.agenda.pending_outside() if port == "keys"]
    assert actions == []  # taken by the keyboard, not waiting
    window.up("left")
    window.ticks(60)
    assert machine.peek(0x7F22) & 0x02


OVERRIDE = 2
"""SDL_HINT_OVERRIDE (SDL 2, SDL_hints.h)."""


class VirtualJoystick:
    """A joystick that SDL itself makes up: plugging and moving it runs through the library as a real one does."""

    def __init__(self, pygame):
        folder = Path(pygame.__file__).parent
        names = [*folder.parent.glob("pygame.libs/libSDL2-2*.so*"), *folder.glob(".dylibs/libSDL2-2*.dylib")]
        if not names:
            pytest.skip("this pygame brings no SDL library to make a joystick with")
        self.sdl = ctypes.CDLL(str(names[0]))
        self.sdl.SDL_JoystickOpen.restype = ctypes.c_void_p
        self.sdl.SDL_JoystickSetVirtualButton.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_uint8]
        self.sdl.SDL_JoystickSetVirtualAxis.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_int16]
        # The dummy driver has no focus to give. SDL reads its environment once, when joysticks are first looked for,
        # and that may have been in a test before: the hint is given over whatever was read.
        self.sdl.SDL_SetHintWithPriority(b"SDL_JOYSTICK_ALLOW_BACKGROUND_EVENTS", b"1", OVERRIDE)
        self.index = self.sdl.SDL_JoystickAttachVirtual(1, 2, 8, 1)
        if self.index < 0:
            pytest.skip("this SDL makes no virtual joysticks")
        self.handle = self.sdl.SDL_JoystickOpen(self.index)

    def axis(self, number, value):
        self.sdl.SDL_JoystickSetVirtualAxis(self.handle, number, value)

    def button(self, number, down):
        self.sdl.SDL_JoystickSetVirtualButton(self.handle, number, down)

    def pull_out(self):
        self.sdl.SDL_JoystickDetachVirtual(self.index)


@pytest.mark.skipif(sys.platform == "win32", reason="the SDL library is found by name on Linux and macOS only")
def test_a_joystick_plugged_in_during_the_run_plays_pad_1_until_it_is_pulled_out(bench):
    machine = Machine.load("demo:marlpit")
    window = bench(machine)
    window.ticks(5)
    stick = VirtualJoystick(window.pygame)
    window.until(lambda: "plays pad 1" in window.app.notice.text, 200)
    stick.axis(0, -30_000)
    stick.button(0, 1)
    window.until(lambda: machine.peek(0x7F22) == 0b0111_1101, 200)  # A is bit 7, left bit 1, pressed is 0
    stick.axis(0, 0)
    window.until(lambda: machine.peek(0x7F22) == 0b0111_1111, 200)
    stick.pull_out()
    window.until(lambda: machine.peek(0x7F22) == 0xFF, 200)
    assert "pad 1 was pulled out" in window.app.notice.text


@pytest.mark.skipif(sys.platform == "win32", reason="the SDL library is found by name on Linux and macOS only")
def test_a_joystick_goes_on_playing_its_pad_when_the_machine_is_loaded_anew(bench):
    fresh = []
    window = bench(Machine.load("demo:marlpit"), lambda: fresh.pop() if fresh else None)
    window.ticks(5)
    stick = VirtualJoystick(window.pygame)
    window.until(lambda: "plays pad 1" in window.app.notice.text, 200)
    machine = Machine.load("demo:marlpit")
    fresh.append(Fresh(machine=machine))
    window.until(lambda: window.machine is machine, 1000)
    stick.axis(0, -30_000)
    window.until(lambda: machine.peek(0x7F22) == 0b1111_1101, 200)
    stick.pull_out()
    window.until(lambda: machine.peek(0x7F22) == 0xFF, 200)


LAMPS_AND_BUTTONS = """
name = "Lamps"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "lamps.bin"
[[card]]
slot = 3
kind = "led-row"
select = "0111 1111 0100 000x"
[[card]]
slot = 4
kind = "button-row"
select = "0111 1111 0101 000x"
"""


def test_a_window_without_a_picture_says_why(bench, tmp_path):
    (tmp_path / "machine.toml").write_text(
        'name = "Bare board"\nclock = "1 MHz"\n[[card]]\nslot = 1\nkind = "sram"\nselect = "xxxx xxxx xxxx xxxx"\n'
    )
    window = bench(Machine.load(tmp_path))
    window.ticks(30)
    surface, room = window.pygame.display.get_surface(), window.app.painter.layout.room
    upper = range(room.height // 2)  # no strip reaches there
    assert {tuple(surface.get_at((x, y))[:3]) for y in upper for x in range(room.width)} >= {PAPER, ROOM}


def test_lamps_and_buttons_work_without_a_screen(bench, tmp_path):
    """The program copies the buttons to the lamps for ever: LDA $7F50, STA $7F40, JMP $8000."""
    image = bytearray(b"\xff" * 0x8000)
    image[0:9] = bytes.fromhex("AD507F 8D407F 4C0080")
    image[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "lamps.bin").write_bytes(image)
    (tmp_path / "machine.toml").write_text(LAMPS_AND_BUTTONS)
    machine = Machine.load(tmp_path)
    window = bench(machine)
    window.ticks(5)
    before = machine.lamps.levels
    part = next(part for part in window.app._panel._parts if part.port is machine.card(4).buttons)
    window.post(window.pygame.MOUSEBUTTONDOWN, button=1, pos=(part.box.x + 5, part.box.y + 5))
    window.ticks(30)
    assert machine.lamps.levels != before
    window.post(window.pygame.MOUSEBUTTONUP, button=1, pos=(0, 0))
    window.ticks(30)
    assert machine.lamps.levels == before
