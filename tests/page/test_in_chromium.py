"""Pages in a real browser, which reaches nothing but this computer: the same machine, picture, recording as here."""

import subprocess
import sys
from pathlib import Path

import pytest

from simkit import Machine
from simkit.files.png import screen_rows
from simkit.kit.packing import Asked, pack
from simkit.kitfile.reading import kit_of
from simkit.outside.journal import record
from simkit.outside.player import replay
from simkit.page import build
from simkit.page.runtime import read_runtime
from tests.page.chromium import Page, chromium, served
from tests.pyodide import pyodide_folder

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.xdist_group("chromium")]

ROOT = Path(__file__).parents[2]
NOTES = "# How it is played\n\n<script>alert(1)</script>\n\n[elsewhere](javascript:alert(1)) and ![a](http://x/y.png)\n"
PLAYER = "PLAYER1_X"


def play(path):
    """A recording of ten seconds of the game, with three chapters."""
    machine = Machine.load("demo:marlpit")
    with record(machine, path) as journal:
        machine.run(seconds=2)
        journal.chapter("The title", "*Slug Watch* waits.")
        machine.pads[1].press("start")
        machine.run(seconds=0.1)
        machine.pads[1].release("start")
        machine.run(seconds=2)
        journal.chapter("To the left", "The pad is read at `$7F22`.\n\n- once a frame")
        machine.pads[1].press("left")
        machine.run(seconds=1)
        machine.pads[1].release("left")
        machine.run(seconds=5)
        journal.chapter("The end")
    return path


def made(folder, *words):
    """A page, made as a person makes it."""
    command = [sys.executable, "-m", "simkit", "page", *map(str, words), "--out", str(folder)]
    done = subprocess.run([*command, "--runtime", str(pyodide_folder())], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr


def uncompiled(folder, demo):
    """A page as it is where there is no node: its browser compiles the packages."""
    packed = pack(Machine.load(demo), Asked())
    kit = kit_of(packed.content, Path("a.kit"))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(build, "compiled", lambda *_: None)
        files = build.page_files(kit, packed.content, read_runtime(pyodide_folder(), print))
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


@pytest.fixture(scope="module")
def sites(tmp_path_factory):
    """Folder with a page a machine."""
    home = tmp_path_factory.mktemp("sites")
    tape = play(home / "evening.rec")
    (home / "notes.md").write_text(NOTES)
    made(home / "marlpit", "demo:marlpit", "--recording", str(tape), "--notes", str(home / "notes.md"))
    for name, demo in (("own-card", "demo:traps"), ("monitor", "demo:monitor")):
        uncompiled(home / name, demo)
    (home / "frame.html").write_text('<!doctype html><iframe src="marlpit/index.html" width=900 height=900></iframe>')
    return home


@pytest.fixture(scope="module")
def browser(sites):
    with served(sites) as address, chromium() as driver:
        yield lambda: Page(driver, address)


@pytest.fixture(scope="module")
def marlpit(browser):
    """The game's page, just started, and what was asked for to start it."""
    page = browser().open("marlpit/index.html")
    page.asked = page.requests()
    return page


def as_rgba(machine):
    port = machine.screen.port
    colours = [bytes((*colour, 255)) for colour in port.palette]
    return b"".join(colours[pixel] for row in screen_rows(port, machine.cycle, border=True) for pixel in row)


def saved(page, tmp_path):
    """What has happened on the page, as a recording that is played here; the machine and its player."""
    path = tmp_path / "saved.rec"
    path.write_bytes(page.bytes("recording"))
    player = replay(Machine.load("demo:marlpit"), path)
    return player.machine, player


def test_it_starts_with_every_other_host_out_of_reach_and_asks_for_nothing_there(marlpit):
    assert len(marlpit.asked) > 10
    assert {url.split("/")[2] for url in marlpit.asked if not url.startswith(("data:", "blob:"))} == {
        marlpit.address.split("/")[2]
    }
    assert marlpit.complaints() == []


def test_the_picture_is_that_of_the_desktop_byte_for_byte(marlpit):
    marlpit.ask("own")
    marlpit.run("return new Promise((done) => setTimeout(done, 1500))")
    cycle = marlpit.pause()["cycle"]
    machine = Machine.load("demo:marlpit")
    machine.run(cycles=cycle)
    assert machine.cycle == cycle > 1_000_000
    assert marlpit.bytes("pixels") == machine.screen.port.pixels(cycle)
    assert marlpit.shown() == as_rgba(machine)
    marlpit.ask("go", on=True)


def key(page, code, event):
    script = """
        const place = document.getElementById("place");
        place.focus();
        place.dispatchEvent(new KeyboardEvent(arguments[1], { code: arguments[0], key: arguments[0], bubbles: true }));
    """
    page.run(script, code, event)


def test_keys_and_a_gamepad_move_the_player_and_what_happened_plays_here(marlpit, tmp_path):
    marlpit.ask("own")
    marlpit.run("return new Promise((done) => setTimeout(done, 2200))")
    key(marlpit, "Enter", "keydown")
    marlpit.run("return new Promise((done) => setTimeout(done, 150))")
    key(marlpit, "Enter", "keyup")
    marlpit.run("return new Promise((done) => setTimeout(done, 1500))")
    marlpit.pause()
    machine, _ = saved(marlpit, tmp_path)
    places = [machine.peek(machine.labels[PLAYER])]
    marlpit.ask("go", on=True)
    key(marlpit, "ArrowLeft", "keydown")
    marlpit.run("return new Promise((done) => setTimeout(done, 500))")
    key(marlpit, "ArrowLeft", "keyup")
    marlpit.pause()
    machine, _ = saved(marlpit, tmp_path)
    places.append(machine.peek(machine.labels[PLAYER]))
    marlpit.ask("go", on=True)
    pad = """
        const pressed = arguments[0];
        const buttons = Array.from({ length: 16 }, (_, n) => ({ pressed: pressed.includes(n), value: 0 }));
        const pad = { index: 0, connected: true, mapping: "standard", buttons, axes: [0, 0, 0, 0] };
        navigator.getGamepads = () => [pad];
    """
    marlpit.run(pad, [])
    marlpit.until("document.getElementById('said').textContent.includes('plays pad 1')")
    marlpit.run(pad, [15])
    marlpit.run("return new Promise((done) => setTimeout(done, 500))")
    marlpit.run(pad, [])
    marlpit.run("navigator.getGamepads = () => []")
    marlpit.until("document.getElementById('said').textContent.includes('pulled out')")
    marlpit.pause()
    machine, player = saved(marlpit, tmp_path)
    places.append(machine.peek(machine.labels[PLAYER]))
    assert places[1] < places[0]
    assert places[2] > places[1]
    assert player.compared >= 1
    assert marlpit.bytes("pixels") == machine.screen.port.pixels(machine.cycle)
    marlpit.ask("go", on=True)


def test_a_dropped_rom_runs_with_its_labels_and_the_published_one_comes_back(marlpit, tmp_path):
    image = bytearray(b"\xff" * 0x8000)
    image[:6] = bytes((0xEE, 0x00, 0x02, 0x4C, 0x00, 0x80))  # loop: INC $0200; JMP loop
    image[0x7FFC:0x7FFE] = bytes((0x00, 0x80))
    (tmp_path / "mine.bin").write_bytes(image)
    (tmp_path / "mine.labels").write_text("my_loop = $8000\n")
    chooser = marlpit.driver.find_element("css selector", "#own input[type=file]")
    chooser.send_keys(f"{tmp_path / 'mine.bin'}\n{tmp_path / 'mine.labels'}")
    marlpit.until("document.getElementById('said').textContent.includes('mine.bin')")
    marlpit.run("document.getElementById('inside').open = true")
    marlpit.until("document.getElementById('inside-text').textContent.includes('my_loop')")
    marlpit.run("document.getElementById('inside').open = false; document.querySelector('#own .own').click()")
    marlpit.run("document.getElementById('read').open = true")
    marlpit.until("document.getElementById('read-text').textContent.includes('PRESS START')")
    (tmp_path / "letter.txt").write_text("dear diary\n")
    chooser.send_keys(str(tmp_path / "letter.txt"))
    marlpit.until("document.getElementById('said').textContent.includes('no image')")
    assert marlpit.ask("state")["going"]


def test_a_recording_plays_to_the_same_hashes_and_chapters_jump(marlpit):
    state = marlpit.ask("play", recording=0)
    assert "problem" not in state
    marlpit.ask("speed", speed="fast")
    marlpit.until("window.simkit.state().tape && !window.simkit.state().tape.playing")
    tape = marlpit.ask("state")["tape"]
    assert (tape["compared"] >= 2, tape["difference"]) == (True, "")
    marlpit.ask("speed", speed="real")
    links = marlpit.driver.find_elements("css selector", ".chapters a")
    assert [link.text.split(" ", 1)[1] for link in links] == ["The title", "To the left", "The end"]
    links[1].click()
    marlpit.until("document.getElementById('caption').textContent.includes('$7F22')")
    assert marlpit.run("return location.hash") == "#recording=1&chapter=2"
    assert marlpit.run("return document.querySelector('#caption li').textContent") == "once a frame"
    at = marlpit.pause()["tape"]["seconds"]
    assert 4.1 <= at < 6
    assert len(marlpit.driver.find_elements("css selector", ".chapters [aria-current]")) == 1
    machine = Machine.load("demo:marlpit")
    marlpit.ask("take_over")
    marlpit.ask("go", on=True)
    assert machine.labels[PLAYER]
    links[0].click()
    marlpit.until("document.getElementById('caption').textContent.includes('waits')")


def test_notes_are_text_without_scripts_and_links_to_elsewhere(marlpit):
    notes = marlpit.driver.find_element("css selector", ".notes")
    assert "How it is played" in notes.text
    assert "<script>alert(1)</script>" in notes.text
    wrong = "return document.querySelectorAll('.notes script, .notes img, .notes a[href^=javascript]').length"
    assert marlpit.run(wrong) == 0


def test_a_link_carries_a_chapter(browser):
    page = browser().open("marlpit/index.html#recording=1&chapter=3")
    page.until("window.simkit.state() && window.simkit.state().tape && window.simkit.state().tape.seconds >= 10")


def test_a_machine_with_a_card_of_its_own_plays_and_the_page_says_so(browser):
    page = browser().open("own-card/index.html")
    whole = page.run("return document.body.textContent")
    assert "whose Python code runs here: slot 3 file:trap_card.py:TrapCard" in whole
    page.until("window.simkit.state() && window.simkit.state().cycle > 100000")
    assert page.complaints() == []


def test_a_terminal_takes_what_is_typed(browser):
    page = browser().open("monitor/index.html")
    page.until("document.querySelector('.terminal').textContent.includes('Do:')")
    terminal = page.driver.find_element("css selector", ".terminal")
    terminal.click()
    terminal.send_keys("help\n")
    page.until("document.querySelector('.terminal').textContent.split('help').length > 2")


def test_it_works_in_a_frame(browser):
    page = browser().open("frame.html", started=False)
    page.driver.switch_to.frame(0)
    page.until("document.documentElement.dataset.started")
    page.driver.switch_to.default_content()


def test_opened_as_a_file_it_says_what_to_do(browser, sites):
    page = browser()
    page.driver.get((sites / "marlpit" / "index.html").as_uri())
    assert "simkit page --serve" in page.driver.find_element("id", "opened").text


def test_a_file_that_is_missing_is_told_as_text(browser, sites):
    (sites / "marlpit" / "machine.kit").rename(sites / "machine.kit")
    try:
        page = browser().open("marlpit/index.html", started=False)
        page.until("!document.getElementById('trouble').hidden")
        assert "machine.kit" in page.text("trouble")
        assert "copied whole" in page.text("trouble")
    finally:
        (sites / "machine.kit").rename(sites / "marlpit" / "machine.kit")


def test_a_kit_that_is_damaged_is_told_as_text(browser, sites):
    kit = sites / "own-card" / "machine.kit"
    content = kit.read_bytes()
    kit.write_bytes(content[:-100])
    try:
        page = browser().open("own-card/index.html", started=False)
        page.until("!document.getElementById('trouble').hidden")
        assert page.text("trouble").startswith("/machine.kit: The kit is damaged: ")
        assert "Traceback" not in page.text("trouble")
    finally:
        kit.write_bytes(content)


def test_on_a_phone_the_pads_buttons_lie_open_and_hold_as_long_as_a_finger_does(sites):
    with served(sites) as address, chromium(phone=True) as driver:
        page = Page(driver, address).open("marlpit/index.html")
        assert page.run("return document.getElementById('touch').open")
        boxes = page.run(
            "return [...document.querySelectorAll('#pad button')].map((b) => b.getBoundingClientRect().width)"
        )
        assert len(boxes) == 8
        assert min(boxes) >= 44  # WCAG 2.1, success criterion 2.5.5
        assert page.run("return document.documentElement.scrollWidth <= innerWidth")
        move = """
            const box = document.querySelector(`#pad [data-button=${arguments[0]}]`).getBoundingClientRect();
            const where = { clientX: box.x + 5, clientY: box.y + 5, pointerId: 1, pointerType: "touch", bubbles: true };
            document.getElementById("pad").dispatchEvent(new PointerEvent(arguments[1], where));
        """
        pressed = "return [...document.querySelectorAll('#pad .pressed')].map((b) => b.dataset.button)"
        page.run("document.getElementById('pad').scrollIntoView()")
        page.run(move, "left", "pointerdown")
        assert page.run(pressed) == ["left"]
        page.run(move, "up", "pointermove")
        assert page.run(pressed) == ["up"]
        page.run(move, "up", "pointerup")
        assert page.run(pressed) == []
