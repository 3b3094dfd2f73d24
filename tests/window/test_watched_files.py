"""`--watch` in the window: nothing in a file ends the session, and what is wrong stands there until it is mended."""

import os

import pytest

from simkit import Machine
from simkit.commands.new import write_machine
from simkit.commands.options import MachineOptions
from simkit.commands.run import RunOptions
from simkit.commands.windowed import watch_for
from simkit.hands import pacing
from simkit.window.lettering import TEXT_PX
from simkit.window.moment import Goal
from simkit.window.small import is_too_small

TOML = """
base = "base.toml"
[[card]]
slot = 5
kind = "file:lamp.py:Lamp"
select = "0111 1111 0110 0000"
"""
CARD = """
import sys
import attrs
from simkit.contract import Card, LampsPort, Register

@attrs.frozen(kw_only=True)
class Settings:
    pass

class Lamp(Card):
    kind = "lamp"
    Settings = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamp", "r"),)

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.slot = slot
        slot.port(LampsPort(name="lamps", labels=("L",), levels=self.levels))

    def levels(self, cycle):
        return (True,)

    def power_on(self, cycle):
        self.slot.at(100_000, "late")

    def event(self, name, cycle):
        pass

    def peek(self, offset, cycle):
        return 7
"""


class Watched:
    """A window over files that a test writes."""

    def __init__(self, bench, folder):
        self.folder, self.log = folder, []
        options = MachineOptions(machine=str(folder))
        watch = watch_for(RunOptions(options=options))
        self.window = bench(options.load(), watch.fresh, log=self.log.append)
        self.app = self.window.app

    def write(self, name, content):
        path = self.folder / name
        before = path.stat().st_mtime_ns if path.exists() else 0
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        os.utime(path, ns=(before + 10**9, before + 10**9))

    def read(self, name):
        return (self.folder / name).read_bytes()

    def go_on(self, seconds=3.0):
        """Seconds in which files are looked at; the machine goes on meanwhile, in pieces."""
        for _ in range(int(seconds / 0.5)):
            self.window.stall(0.49)
            self.window.ticks(20)

    @property
    def trouble(self):
        return self.app._words().trouble

    def goes(self):
        before = self.app.machine.cycle
        self.window.ticks(20)
        return self.app.machine.cycle > before


@pytest.fixture
def watched(bench, tmp_path):
    folder = write_machine(tmp_path / "hello")[0]
    (folder / "machine.toml").rename(folder / "base.toml")
    (folder / "machine.toml").write_text(TOML)
    (folder / "lamp.py").write_text(CARD)
    (folder / "controls.toml").write_text('bar_key = "scroll lock"\n')
    return Watched(bench, folder)


FAULTS = {
    "machine file, half": ("machine.toml", lambda good: good[: len(good) - 30], "machine.toml"),
    "machine file, empty": ("machine.toml", lambda good: b"", "machine.toml"),
    "machine file, another slot": ("machine.toml", lambda good: good + b"[[card]]\nslot = 5\n", "slot 5"),
    "machine file, no text": ("machine.toml", lambda good: bytes(range(256)), "machine.toml"),
    "base, half": ("base.toml", lambda good: good[: good.rindex(b'"')], "base.toml"),
    "base, empty": ("base.toml", lambda good: b"", "clock"),
    "image, empty": ("hello.bin", lambda good: b"", "hello.bin"),
    "image, half": ("hello.bin", lambda good: good[:300], "the image has 300 bytes, the part 32768"),
    "image, too long": ("hello.bin", lambda good: good * 2, "hello.bin"),
    "card, syntax error": ("lamp.py", lambda good: good.replace(b"def ", b"def", 1), "lamp.py"),
    "card, half": ("lamp.py", lambda good: good[:200], "lamp.py"),
    "card, empty": ("lamp.py", lambda good: b"", "Lamp"),
    "card, raises at import": ("lamp.py", lambda good: b"1 / 0\n" + good, "ZeroDivisionError"),
    "card, leaves at import": ("lamp.py", lambda good: b"raise SystemExit(0)\n" + good, "SystemExit"),
    "card, raises when made": ("lamp.py", lambda good: good.replace(b"self.slot = slot", b"1 / 0"), "division"),
    "card, leaves when made": ("lamp.py", lambda good: good.replace(b"self.slot = slot", b"sys.exit(3)"), "lamp"),
    "card, bad registers": ("lamp.py", lambda good: good.replace(b"return (Register", b"return 5, (Register"), ""),
    "card, power-on raises": ("lamp.py", lambda good: good.replace(b"self.slot.at(", b"self.slot.on("), "lamp"),
    "card, cannot be drawn": ("lamp.py", lambda good: good.replace(b"return (True,)", b"return 1 / 0"), "division"),
    "controls, half": ("controls.toml", lambda good: good[:10], "controls.toml"),
    "controls, no such key": ("controls.toml", lambda good: b'bar_key = "any"\n', "any"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_stays_in_the_window_until_the_next_good_one_and_the_old_machine_goes_on(watched, fault):
    name, spoil, word = FAULTS[fault]
    good, old = watched.read(name), watched.app.machine
    watched.write(name, spoil(good))
    watched.go_on()
    assert watched.trouble.startswith("Not loaded; the machine stays as it was.\n")
    assert word in watched.trouble
    assert watched.log == [watched.trouble]
    assert watched.app.machine is old
    assert watched.goes()
    watched.go_on(20)  # longer than any message stays
    assert word in watched.trouble
    assert watched.goes()
    watched.write(name, good)
    watched.go_on()
    assert watched.trouble == ""
    assert (watched.app.machine is old) == name.startswith("controls")
    assert watched.goes()


@pytest.mark.parametrize(
    ("spoil", "note"),
    [
        (lambda good: good.rstrip() + b"\nnext", "One line of this label list could not be read"),
        (lambda good: b"\xff\xfe" * 100, "No labels from"),
        (lambda good: b"\x7fELF" + good, "The ELF file is damaged"),
        (lambda good: b"version\tmajor=2,minor=0\nrubbish\n", "debug file of ld65 could not be read"),
    ],
)
def test_a_label_list_that_cannot_be_read_is_a_note_and_the_window_goes_on_with_the_new_machine(watched, spoil, note):
    old = watched.app.machine
    watched.write("hello.labels", spoil(watched.read("hello.labels")))
    watched.go_on(1)
    assert watched.trouble == ""
    assert watched.app.machine is not old
    assert note in watched.app.notice.text
    assert watched.goes()


@pytest.mark.parametrize("name", ["machine.toml", "base.toml", "hello.bin", "hello.labels", "lamp.py"])
def test_a_file_that_vanishes_and_comes_back_costs_nothing(watched, name):
    old = watched.app.machine
    (watched.folder / name).rename(watched.folder / "away")
    watched.go_on()
    assert name in watched.trouble
    assert watched.goes()
    (watched.folder / "away").rename(watched.folder / name)
    watched.go_on()
    assert (watched.trouble, watched.app.machine) == ("", old)
    assert watched.app.notice.text == "The files are as they were loaded."


def test_all_files_at_once_in_every_order_of_states(watched):
    """A build that tears everything down and writes it anew, with looks in between."""
    names = ["hello.bin", "lamp.py", "hello.labels", "base.toml", "machine.toml", "controls.toml"]
    good = {name: watched.read(name) for name in names}
    for name in names:
        (watched.folder / name).unlink()
        watched.go_on(1)
    for share in (0.0, 0.4, 0.9):
        for name in reversed(names):
            watched.write(name, good[name][: int(len(good[name]) * share)])
            watched.go_on(1)
            assert watched.goes()
    assert watched.trouble
    old = watched.app.machine
    for name in names:
        watched.write(name, good[name])
    watched.go_on()
    assert watched.trouble == ""
    assert watched.app.machine is not old
    assert watched.goes()


RUNNING = {
    "raises": "raise RuntimeError('no lamp')",
    "leaves": "sys.exit(0)",
    "recurses": "self.event(name, cycle)",
}


@pytest.mark.parametrize("way", RUNNING)
def test_a_card_that_fails_while_it_runs_stops_the_machine_and_better_files_start_it(watched, way):
    good = watched.read("lamp.py").decode()
    watched.write("lamp.py", good.replace("        pass\n\n    def peek", f"        {RUNNING[way]}\n\n    def peek"))
    watched.go_on()
    assert watched.trouble.startswith("Stopped, until the files change or you power it on again.\n")
    assert "slot 5" in watched.trouble or "lamp.py" in watched.trouble
    assert not watched.goes()
    assert watched.window.pygame.display.get_caption()[0] == "hello: stopped"
    watched.window.choose("Power on")
    watched.go_on(2)
    assert watched.trouble.startswith("Stopped")
    watched.write("machine.toml", "[")
    watched.go_on()
    assert "Not loaded" in watched.trouble
    assert "Stopped" in watched.trouble
    watched.write("machine.toml", TOML)
    watched.write("lamp.py", good)
    watched.go_on()
    assert watched.trouble == ""
    assert watched.goes()


def test_a_card_that_cannot_be_drawn_any_more_stops_the_machine(watched):
    good = watched.read("lamp.py").decode()
    watched.write("lamp.py", good.replace("return (True,)", "return (True,) if cycle < 50_000 else 1 / 0"))
    watched.go_on()
    assert watched.trouble.startswith("Stopped")
    watched.go_on(20)
    watched.write("lamp.py", good)
    watched.go_on()
    assert watched.trouble == ""
    assert watched.goes()


UNDRAWABLE = CARD.replace("return (True,)", "return 1 / 0")


def test_a_card_that_cannot_be_drawn_from_the_start_stops_the_machine(bench, tmp_path):
    folder = write_machine(tmp_path / "hello")[0]
    (folder / "machine.toml").rename(folder / "base.toml")
    (folder / "machine.toml").write_text(TOML)
    (folder / "lamp.py").write_text(UNDRAWABLE)
    watched = Watched(bench, folder)
    watched.go_on()
    assert watched.trouble.startswith("Stopped")
    watched.write("lamp.py", CARD)
    watched.go_on()
    assert watched.trouble == ""
    assert watched.goes()


def test_a_machine_that_has_stopped_outlives_files_that_are_no_better(watched):
    good = watched.read("lamp.py").decode()
    watched.write("lamp.py", good.replace("        pass\n\n    def peek", "        1 / 0\n\n    def peek"))
    watched.go_on()
    for worse in (UNDRAWABLE, "", UNDRAWABLE + "\n"):
        watched.write("lamp.py", worse)
        watched.go_on()
        assert "Stopped" in watched.trouble
        assert not watched.goes()
    watched.write("lamp.py", good)
    watched.go_on()
    assert watched.trouble == ""
    assert watched.goes()


def test_without_watching_a_card_that_fails_ends_the_run(bench, tmp_path):
    folder = write_machine(tmp_path / "hello")[0]
    with (folder / "machine.toml").open("a") as file:
        file.write(TOML.replace('base = "base.toml"', ""))
    (folder / "lamp.py").write_text(CARD.replace("        pass\n\n    def peek", "        1 / 0\n\n    def peek"))
    window = bench(Machine.load(folder))
    with pytest.raises(Exception, match="division"):
        window.ticks(500)


HANDLER = compile("def handler(*signal): raise SystemExit(143)", pacing.__file__, "exec")
"""As if it stood in the kit."""


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit])
def test_ctrl_c_and_signals_end_the_run_also_while_files_are_loaded(bench, hello_state, error):
    named = {}
    exec(HANDLER, named)

    def reload():
        if error is SystemExit:
            named["handler"]()
        raise KeyboardInterrupt

    window = bench(Machine.load(hello_state[0]), reload)
    with pytest.raises(error):
        window.ticks(200)


def test_window_speed_bar_pads_and_joysticks_stay_through_a_reload(watched):
    window, app = watched.window, watched.app
    window.pygame.display.set_mode((700, 500), window.pygame.RESIZABLE)
    app.painter.resized()
    window.choose("Speed")
    app.bar.close()
    app.hands.key_pads.enabled = False
    window.turn_bar()
    window.stroke("right", "right")
    watched.write("machine.toml", TOML + "# more\n")
    old = app.machine
    watched.go_on()
    assert app.machine is not old
    assert window.pygame.display.get_surface().get_size() == (700, 500)
    assert (app.bar.is_open, app.bar.chosen, app.pacer.speed) == (True, 2, "double")
    assert not app.hands.key_pads.enabled


def test_a_machine_that_stood_stands_at_its_beginning_when_it_was_loaded_anew(watched):
    watched.window.choose("Pause")
    watched.write("hello.bin", watched.read("hello.bin")[:-1] + b"\x12")
    watched.go_on()
    assert watched.app.going.paused
    assert watched.app.machine.cycle == 0
    assert watched.app.desk.pane is watched.app.look
    assert "It stands at its beginning" in watched.app.notice.text
    watched.window.choose("Go on")
    assert watched.goes()


@pytest.mark.parametrize(("moment", "kept"), [("write:$0FFF", True), ("label:only_here", False)])
def test_a_machine_that_was_on_its_way_to_a_moment_is_so_when_it_was_loaded_anew(watched, moment, kept):
    app = watched.app
    app.machine.labels.add("only_here", 0x0FF0)
    app.going.aim(Goal(app.machine, moment))
    watched.write("hello.bin", watched.read("hello.bin")[:-1] + b"\x12")
    watched.go_on()
    assert "loaded anew" in app.notice.text
    assert (app.going.goal is not None) == kept
    assert kept or "runs on and on: There is no label 'only_here'" in app.notice.text
    assert watched.goes()


def test_controls_that_change_are_those_of_the_machine_that_goes_on(watched):
    old = watched.app.machine
    watched.write("controls.toml", 'bar_key = "f12"\n')
    watched.go_on()
    assert watched.app.machine is old
    watched.window.stroke("f12")
    assert watched.app.bar.is_open


def test_an_image_that_was_short_from_the_start_may_stay_so(bench, tmp_path):
    folder = write_machine(tmp_path / "hello")[0]
    image = (folder / "hello.bin").read_bytes()
    (folder / "hello.bin").write_bytes(image[:300])
    watched = Watched(bench, folder)
    old = watched.app.machine
    watched.write("hello.bin", image[:400])
    watched.go_on(1)
    assert watched.app.machine is not old
    assert watched.trouble == ""
    assert "Note: slot 2 (rom): the image has 400 bytes" in watched.app.notice.text
    watched.go_on(20)
    assert "The program left its code in cycle 7" in watched.app.notice.text
    watched.go_on(20)
    assert watched.app.notice.text == ""


def test_a_machine_with_another_screen_or_none_is_shown_as_well(watched):
    base = watched.read("base.toml").decode()
    slot = watched.app.screen.slot
    watched.write("base.toml", base.replace(f"slot = {slot}", "slot = 9"))
    watched.go_on()
    assert watched.app.screen.slot == 9
    watched.write("machine.toml", TOML + "[[card]]\nslot = 9\nremove = true\n")
    watched.go_on()
    assert watched.app.screen is None
    assert watched.trouble == ""
    assert watched.goes()


SIZES = [(1280, 1000), (852, 729), (500, 400), (320, 240), (120, 90)]


@pytest.mark.parametrize("size", SIZES)
def test_the_strip_fits_into_every_window(watched, size):
    """Its last line is on the paper of the strip, and where it is cut off it says where the rest is."""
    window, app = watched.window, watched.app
    window.pygame.display.set_mode(size, window.pygame.RESIZABLE)
    app.painter.resized()
    watched.write("machine.toml", TOML.replace("slot = 5", "slot = 5\nx = 1"))
    watched.write("base.toml", watched.read("base.toml") + b'[[card]]\nslot = 3\nkind = "' + b"k" * 300 + b'"\n')
    watched.go_on()
    assert watched.trouble
    surface = window.pygame.display.get_surface()
    foot = app.painter.top_of_foot
    if foot < TEXT_PX + 12:  # no room above it
        foot = size[1]
    strips = list(app.painter._strips.values())
    assert strips
    assert sum(strip.get_height() for strip in strips) <= max(foot, surface.get_height(), TEXT_PX + 20)
    assert all(strip.get_width() == surface.get_width() for strip in strips)
    if is_too_small(size):
        return  # then it says that alone: test_small.py
    shown = {tuple(surface.get_at((x, max(0, min(foot, size[1]) - 2))))[:3] for x in range(0, size[0], 7)}
    assert shown == {(24, 24, 24)}


@pytest.mark.parametrize(
    "text", ["\0", "\x1b[31m", "a\u202eb", "\ud800", "\U0001f41b", "é", "\r\v\u2028\x85", " ", "\n\n", "x" * 20_000]
)
def test_whatever_an_error_says_can_be_shown(bench, hello_state, text):
    def reload():
        raise ValueError(text)

    window = bench(Machine.load(hello_state[0]), reload)
    window.ticks(200)
    assert "ValueError" in window.app._words().trouble


def test_machines_with_lamps_alone_have_room_for_the_strip(bench, tmp_path):
    folder = write_machine(tmp_path / "hello")[0]
    (folder / "machine.toml").rename(folder / "base.toml")
    (folder / "lamp.py").write_text(CARD)
    (folder / "machine.toml").write_text(TOML + "[[card]]\nslot = 4\nremove = true\n")
    watched = Watched(bench, folder)
    assert watched.app.screen is None
    watched.write("lamp.py", "1 / 0")
    watched.go_on()
    surface = watched.window.pygame.display.get_surface()
    panel = watched.app.painter.layout.panel
    foot = watched.app.painter.top_of_foot
    assert foot >= 3 * TEXT_PX
    assert tuple(surface.get_at((2, foot - 3)))[:3] == (24, 24, 24)
    assert panel.y + panel.height <= surface.get_height()
