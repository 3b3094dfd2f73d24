"""Ctrl-C while packages are imported, in the work, in the output, at the end, and twice: 130 and one word."""

import signal
import subprocess
import sys
import time

import pytest

from simkit.commands.ctrl_c import CtrlC

IMPORTING = """
import signal, sys
if {module!r} in sys.modules:
    sys.exit("this Python has imported it before the first line")
class Presses:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            signal.raise_signal(signal.SIGINT)
sys.meta_path.insert(0, Presses())
from simkit.commands.main import main
main()
"""

MODULES = (
    "simkit.commands.streams",
    "simkit.commands.app",
    "typer",
    "inspect",
    "simkit.commands.options",
    "simkit.contract.errors",
    "attrs",
    "json",
    "simkit.commands.run",
    "simkit.machine.machine",
    "simkit.commands.taped_run",
    "simkit_cards.tile_video.card",
    "py65.devices.mpu6502",
    "simkit.machine.views",
    "simkit.files.png",
    "zlib",
)
RUN = ("run", "demo:marlpit", "--headless", "--for", "0.01s", "--text", "--png", "a.png")


def ended(script, *arguments, **options):
    """A script as a process; gives (exit code, stdout, stderr)."""
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False, timeout=60, **options
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("module", MODULES)
def test_while_a_package_is_imported(module, tmp_path):
    code, out, err = ended(IMPORTING.format(module=module), *RUN, cwd=tmp_path)
    if code == 1:
        pytest.skip(err.strip())
    if code == 0:
        pytest.fail(f"{module} is not imported any more: name another")
    assert (code, out, err) == (130, "", "\nStopped.\n")
    assert list(tmp_path.iterdir()) == []


def test_while_a_run_imports_what_it_needs_on_its_way_it_ends_in_good_order(tmp_path):
    code, out, err = ended(IMPORTING.format(module="simkit.commands.headless"), *RUN, cwd=tmp_path)
    assert (code, err) == (130, "\nStopped.\n")
    assert "0 cycles, then it was stopped" in out


LISTED = """
import sys
from simkit.commands.main import main
before = set(sys.modules)
try:
    main()
finally:
    print("\\n".join(sorted(set(sys.modules) - before)), file=sys.stderr)
"""


@pytest.mark.slow
def test_while_any_package_is_imported(tmp_path):
    modules = ended(LISTED, *RUN, cwd=tmp_path)[2].split()
    assert len(modules) > 150
    for number, module in enumerate(modules):
        (folder := tmp_path / str(number)).mkdir()
        code, _, err = ended(IMPORTING.format(module=module), *RUN, cwd=folder)
        assert (code, err) in ((130, "\nStopped.\n"), (0, "")), module  # 0: made by the import of another


WORK = """
import signal, sys, time
import simkit.commands.app
from simkit.commands.main import main
press = lambda: signal.raise_signal(signal.SIGINT)
def run(argv, begins):
    begins()
{body}
    return 0
simkit.commands.app.run = run
main()
"""

BODIES = {
    "in the work": "press()",
    "where an object is given back, and Python can raise nothing": """
class Given:
    def __del__(self): press()
Given()
time.sleep(20)
""",
    "in a call from a compiled library": """
import ctypes
called = ctypes.CFUNCTYPE(None)(lambda: press())
called()
time.sleep(20)
""",
    "where it becomes another exception": """
try:
    press()
except KeyboardInterrupt:
    raise ImportError("half of a package")
""",
    "where something else fails behind it": """
try:
    press()
finally:
    {}["none"]
""",
    "and once more while the work is brought to its end": """
try:
    press()
finally:
    press()
""",
    "twice in a long run": """
from simkit.commands.long_run import LongRun
with LongRun("work") as work:
    press()
    press()
""",
    "at each step of saying so": """
class Presses:
    def write(self, text):
        press()
        sys.__stderr__.write(text)
        press()
    def flush(self):
        press()
        sys.__stderr__.flush()
        press()
sys.stderr = Presses()
press()
""",
    "again and again": """
import _thread, threading
def pressing():
    while True:
        _thread.interrupt_main()
        time.sleep(0.001)
threading.Thread(target=pressing, daemon=True).start()
while True:
    time.sleep(0.0001)
""",
}


def body(text):
    return "\n".join(f"    {line}" for line in text.splitlines())


LATER = {"where an object is given back, and Python can raise nothing", "in a call from a compiled library"}
"""Where the Ctrl-C was lost and comes again, while the program waits."""


@pytest.mark.parametrize(
    "when",
    [pytest.param(when, marks=pytest.mark.needs("signals to a thread") if when in LATER else ()) for when in BODIES],
)
def test_in_the_work(when):
    begun = time.monotonic()
    code, out, err = ended(WORK.format(body=body(BODIES[when])))
    assert (code, out, err) == (130, "", "\nStopped.\n")
    assert time.monotonic() - begun < 15, "it came, and was not waited for"


def test_where_nobody_takes_the_word_a_further_one_ends_the_command():
    text = """
class Stalls:
    flush = None
    def write(self, text):
        time.sleep(0.6)
        press()
        time.sleep(20)
sys.stderr = Stalls()
press()
"""
    assert ended(WORK.format(body=body(text))) == (130, "", "")


def test_what_a_command_has_to_say_is_told_also_when_ctrl_c_made_it_say_so():
    """A run over the serial line ends by Ctrl-C; that its file cannot be written is told afterwards."""
    text = """
from simkit.contract.errors import FileError
try:
    press()
except KeyboardInterrupt:
    raise FileError("F cannot be written.")
"""
    assert ended(WORK.format(body=body(text))) == (74, "", "F cannot be written.\n")


def test_at_the_end_it_changes_nothing_any_more():
    text = """
import atexit
atexit.register(press)
print("done")
"""
    assert ended(WORK.format(body=body(text))) == (0, "done\n", "")


def test_who_was_started_with_ctrl_c_switched_off_is_not_stopped_by_it():
    """A shell without job control starts what runs in the background so (IEEE Std 1003.1-2017, XCU 2.11)."""
    text = """
from simkit.commands.long_run import LongRun
with LongRun("work") as work:
    press()
    assert work.goes_on(0.5)
press()
print("done")
"""
    switched_off = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
    assert ended(switched_off + WORK.format(body=body(text))) == (0, "done\n", "")


@pytest.mark.needs("signals")
def test_while_the_output_waits_for_its_reader():
    text = "    print('x' * 1_000_000)\n    print('y' * 1_000_000)"
    running = subprocess.Popen(
        [sys.executable, "-c", WORK.format(body=text)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert running.stdout.read(1) == b"x"  # the rest does not fit into the pipe
    time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    assert running.wait(20) == 130
    assert running.stderr.read() == b"\nStopped.\n"
    running.stdout.close()
    running.stderr.close()


@pytest.mark.needs("signals")
@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("step", range(6))
def test_at_any_moment_of_a_real_run(times, step, tmp_path):
    """From the moment on in which the command is called; a little is left for it to look after Ctrl-C."""
    begun = "import sys, simkit.commands.main as m\nprint('begun', file=sys.stderr, flush=True)\nm.main()"
    running = subprocess.Popen(
        [sys.executable, "-c", begun, *RUN], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path
    )
    assert running.stderr.readline() == "begun\n"
    time.sleep(0.005 + step * 0.1)
    for _ in range(times):
        running.send_signal(signal.SIGINT)
        time.sleep(0.002)
    _, err = running.communicate(timeout=30)
    assert (running.returncode, err) in ((130, "\nStopped.\n"), (0, ""))
    assert [path.name for path in tmp_path.iterdir()] in ([], ["a.png"])


def test_not_in_another_thread_and_not_over_a_handler_of_somebody_else():
    import threading

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=CtrlC().watch)
    thread.start()
    thread.join()
    signal.signal(signal.SIGINT, lambda *_: None)
    try:
        mine = signal.getsignal(signal.SIGINT)
        CtrlC().watch()
        assert signal.getsignal(signal.SIGINT) is mine
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(sys.platform == "win32", reason="how a process ends by a signal is told otherwise there")
@pytest.mark.parametrize("module", ["simkit.commands", "simkit.commands.main", "simkit.commands.ctrl_c"])
def test_ctrl_c_while_what_looks_after_it_is_imported_leaves_no_traceback(module):
    as_module = "import runpy\nrunpy.run_module('simkit', run_name='__main__')"
    script = IMPORTING.format(module=module).replace("from simkit.commands.main import main\nmain()", as_module)
    assert ended(script, "opcode", "a9") == (-signal.SIGINT, "", "")
