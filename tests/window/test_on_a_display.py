"""The command in a real window: Xvfb as display, xdotool as the person."""

import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from simkit import Machine
from simkit.commands.new import write_machine

pytestmark = [
    pytest.mark.window,
    pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed: no virtual display"),
    pytest.mark.skipif(shutil.which("xdotool") is None, reason="xdotool is not installed: nobody presses keys"),
]


KEYBOARD = 3
QUICK_KEYBOARD = ("--set", f"{KEYBOARD}.self_test_ms=1")
"""Its self-test takes half a second of machine time, on a busy host more of ours, in which keys are lost."""


def wait_for(condition, seconds=30):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.1)


def is_titled(name, environment):
    """Whether the first window has a name in its title; xdotool's own search for names finds none without a manager."""
    words = ["xdotool", "search", "--class", ".", "getwindowname"]
    return name in subprocess.run(words, env=environment, capture_output=True, text=True, check=False).stdout


def test_typing_shows_on_the_screen_and_the_screenshot_is_the_headless_picture(display, tmp_path):
    """A at the window: 1C F0 1C (Brouwer, Keyboard scancodes, 9.6), in the very picture a headless run gives."""
    folder, _ = write_machine(tmp_path / "hello")
    environment = {name: value for name, value in os.environ.items() if not name.startswith("SDL_")}
    environment |= {"DISPLAY": display, "SDL_AUDIODRIVER": "dummy"}
    window = subprocess.Popen(
        [sys.executable, "-c", "from simkit.commands.main import main; main()", "run", "hello", *QUICK_KEYBOARD],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )

    def press(*keys):
        for key in keys:
            subprocess.run(["xdotool", "key", key], env=environment, check=True)
            time.sleep(0.15)

    try:
        assert (
            "Both Shift keys together, the right mouse button or the pointer at the top edge opens the bar"
            in window.stdout.readline()
        )
        wait_for(lambda: is_titled("hello", environment))
        time.sleep(0.5)
        press("a")
        time.sleep(1)
        subprocess.run(["xdotool", "mousemove", "640", "500", "click", "3"], env=environment, check=True)
        press(*["Right"] * 7, "Return")
        wait_for(lambda: list(folder.glob("*.png")))
        press("shift+Shift_R", "Left", "Return")
        _, errors = window.communicate(timeout=20)
    finally:
        window.kill()
        window.communicate()
    assert (window.returncode, errors) == (0, "")
    machine = Machine.load(folder, settings={KEYBOARD: {"self_test_ms": 1}})
    machine.keys.type("a")
    machine.run(screen_text="1C F0 1C", timeout=3)
    machine.run(frames=2)
    expected = machine.screen.save_png(tmp_path / "expected.png")
    (picture,) = folder.glob("hello-*.png")
    assert picture.read_bytes() == expected.read_bytes()


@pytest.mark.needs("SIGSTOP")
def test_a_session_that_watches_files_outlives_their_faults_a_standstill_of_the_host_and_ends_by_ctrl_c(
    display, tmp_path
):
    folder, _ = write_machine(tmp_path / "hello")
    toml = folder / "machine.toml"
    good = toml.read_text()
    environment = {name: value for name, value in os.environ.items() if not name.startswith("SDL_")}
    environment |= {"DISPLAY": display, "SDL_AUDIODRIVER": "dummy"}
    window = subprocess.Popen(
        [sys.executable, "-c", "from simkit.commands.main import main; main()", "run", "hello", "--watch"],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert "opens the bar" in window.stdout.readline()
        toml.write_text(good + "x = [")
        assert window.stderr.readline() == "Not loaded; the machine stays as it was.\n"
        assert "machine.toml:" in window.stderr.readline()
        toml.unlink()
        told = [window.stderr.readline() for _ in range(3)]
        assert any("machine" in line for line in told)
        window.send_signal(signal.SIGSTOP)
        time.sleep(1)
        window.send_signal(signal.SIGCONT)
        toml.write_text(good.replace('name = "hello"', 'name = "hello again"'))
        wait_for(lambda: is_titled("hello again", environment))
        for key in ("shift+Shift_R", *["Right"] * 7, "Return"):
            subprocess.run(["xdotool", "key", key], env=environment, check=True)
            time.sleep(0.15)
        wait_for(lambda: list(folder.glob("hello-again-*.png")))
        window.send_signal(signal.SIGINT)
        _, errors = window.communicate(timeout=20)
    finally:
        window.kill()
        window.communicate()
    assert window.returncode == 130
    assert "Traceback" not in errors


OWNER = """
import time, pygame
pygame.display.init(); pygame.display.set_mode((80, 60)); pygame.scrap.init()
if hasattr(pygame.scrap, "put_text"):
    pygame.scrap.put_text("LIST\\r\\nEND")
else:
    pygame.scrap.put("text/plain;charset=utf-8", b"LIST\\r\\nEND")
print("ready", flush=True)
while True:
    pygame.event.pump(); time.sleep(0.01)
"""
READER = """
import time, pygame
from simkit.window.clipboard import clipboard_text
pygame.display.init(); pygame.display.set_mode((80, 60))
for _ in range(50):
    pygame.event.pump(); time.sleep(0.01)
print(repr(clipboard_text()))
"""


def test_text_copied_in_another_program_is_what_is_pasted(display):
    environment = {**os.environ, "DISPLAY": display, "PYGAME_HIDE_SUPPORT_PROMPT": "1", "SDL_VIDEODRIVER": "x11"}
    owner = subprocess.Popen([sys.executable, "-c", OWNER], env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert owner.stdout.readline() == "ready\n"
        reader = [sys.executable, "-c", READER]
        done = subprocess.run(reader, env=environment, capture_output=True, text=True, check=True)
    finally:
        owner.kill()
        owner.communicate()
    assert done.stdout == "'LIST\\nEND'\n"
