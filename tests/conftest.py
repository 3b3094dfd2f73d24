"""What all tests share: what a test needs of the system, a small machine."""

import tests.compiled  # noqa: F401  before the rest is imported, which is to be kept

# isort: split
import gc
import os
import platform
import shutil
import signal
from collections.abc import Callable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from simkit import Machine
from simkit.commands.main import main
from tests import short_ring as the_short_ring
from tests.examples import register_profiles

NEEDS = {
    "signals": (
        os.name == "posix",
        "this system sends no signals from one process to another",
    ),
    "SIGHUP": (hasattr(signal, "SIGHUP"), "this system has no SIGHUP: no terminal line hangs up"),
    "SIGKILL": (hasattr(signal, "SIGKILL"), "this system has no SIGKILL"),
    "SIGSTOP": (hasattr(signal, "SIGSTOP"), "this system stops and continues no processes"),
    "SIGPIPE": (hasattr(signal, "SIGPIPE"), "this system has no SIGPIPE: a closed pipe is an error as any other"),
    "signals to a thread": (
        hasattr(signal, "pthread_kill"),
        "this system sends no signal to one thread: what the program waits for comes first",
    ),
    "timer signals": (hasattr(signal, "setitimer"), "this system has no timer that sends a signal"),
    "fifo": (hasattr(os, "mkfifo"), "this system has no named pipes in its folders"),
    "pty": (
        hasattr(os, "openpty") and all(find_spec(name) is not None for name in ("pty", "termios")),
        "this system has no pseudo-terminals",
    ),
    "resource": (find_spec("resource") is not None, "this system limits and counts no resources (module resource)"),
    "fork": (hasattr(os, "fork"), "this system does not fork processes"),
    "users": (hasattr(os, "getuid"), "this system knows no rights of user and group"),
    "devices": (os.path.exists("/dev/null"), "this system has no devices in its folders"),  # noqa: PTH110
    "/proc": (os.path.exists("/proc/self/status"), "this system does not tell a process's own peak of memory in /proc"),  # noqa: PTH110
    "cc65": (
        shutil.which("ca65") is not None and shutil.which("ld65") is not None,
        "the assembler ca65 and its linker ld65 are not installed (Debian: cc65)",
    ),
    "binutils": (
        shutil.which("as") is not None and shutil.which("ld") is not None and platform.machine() in ("x86_64", "AMD64"),
        "the assembler and linker of GNU for this kind of processor are not installed (Debian: binutils)",
    ),
    "chromium": (
        shutil.which("chromium") is not None
        and shutil.which("chromedriver") is not None
        and find_spec("selenium") is not None,
        "there is no Chromium with its driver (Debian: chromium-driver), or no package selenium",
    ),
    "64tass": (shutil.which("64tass") is not None, "the assembler 64tass is not installed (Debian: 64tass)"),
    "session tool": (shutil.which("sigrok-cli") is not None, "sigrok-cli is not installed (Debian: sigrok-cli)"),
    "fst": (
        shutil.which("vcd2fst") is not None and shutil.which("fst2vcd") is not None,
        "vcd2fst and fst2vcd are not installed (Debian: gtkwave)",
    ),
    "/dev/full": (os.path.exists("/dev/full"), "this system has no /dev/full, on which there is never room"),  # noqa: PTH110
}
"""What a test may need: whether it is here, and the reason for which it is skipped where not."""


@pytest.hookimpl(tryfirst=True)  # before pytest-xdist, where that is installed, takes its own default
def pytest_cmdline_main(config):
    """Have a worker that has nothing left take tests from another: dear ones lie together, and others end early."""
    if getattr(config.option, "numprocesses", None) and config.option.dist == "no":
        config.option.dist = "worksteal"


def pytest_configure(config):
    """Have Ctrl-C heard, also by what tests start, where a shell began them in its background and had it ignored."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    _work_in_memory()
    register_profiles()


MEMORY = Path("/dev/shm")
"""Where Linux has a file system in memory (its documentation, Documentation/filesystems/tmpfs.rst)."""
ROOM_BYTES = 4_000_000_000
TEMPROOT = "PYTEST_DEBUG_TEMPROOT"


def _work_in_memory() -> None:
    """Have the folders of tests lie in memory, if there is such a place with room, from which programs may be started.

    On a disk each file costs processor time besides, and each that is to be there safely a wait of milliseconds.
    """
    if TEMPROOT in os.environ or not (MEMORY.is_dir() and os.access(MEMORY, os.W_OK)):
        return
    has = os.statvfs(MEMORY)
    if has.f_bavail * has.f_frsize > ROOM_BYTES and not has.f_flag & os.ST_NOEXEC:
        os.environ[TEMPROOT] = str(MEMORY)


def pytest_collection_finish():
    """Leave what lives to the end, thousands of collected tests, out of each look for garbage: a tenth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000)


def pytest_runtest_setup(item):
    for marker in item.iter_markers("needs"):
        for name in marker.args:
            here, reason = NEEDS[name]
            if not here:
                pytest.skip(reason)


WITHOUT_HYPOTHESIS = "-p no:hypothesispytest"
"""Loading hypothesis takes three times as long as the rest of a session of pytest with one test."""


@pytest.fixture(scope="session", autouse=True)
def lean_sessions():
    """Sessions of pytest that a test starts load no plug-in that their tests do not use."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTEST_ADDOPTS", WITHOUT_HYPOTHESIS, prepend=" ")
        yield


@pytest.fixture
def simkit(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Runs a command line in this process, in the folder of this test; gives exit code, standard output and error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in words])
        return ended.value.code, *capsys.readouterr()

    return run


@pytest.fixture
def short_ring(monkeypatch: pytest.MonkeyPatch) -> None:
    """Machines that are made in this test hand their records on sixteen times as often."""
    the_short_ring.shorten(monkeypatch)


@pytest.fixture
def pytester(pytester, monkeypatch):
    """pytest's own, which takes the variable away."""
    monkeypatch.setenv("PYTEST_ADDOPTS", WITHOUT_HYPOTHESIS)
    return pytester


CARD = Path(__file__).with_name("obedient_card.py")
OBEDIENT_SLOT = 3
MACHINE = """
name = "Small machine"
clock = "1 MHz"
cpu = "{cpu}"
seed = 1
[backplane]
wait_states = "{wait_states}"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = {gaps}
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
[[card]]
slot = 3
kind = "file:obedient_card.py:{card}"
select = "{at}"
lines = {{ {lines} }}
[card.settings]
wait = {wait}
"""


def image(program: str, handler: str) -> bytes:
    """Of a ROM with a program at $8000 and, for IRQ, NMI and BRK, a handler at $9000; the rest is NOP."""
    content = bytearray(b"\xea" * 0x8000)
    for at, code in ((0, bytes.fromhex(program)), (0x1000, bytes.fromhex(handler))):
        content[at : at + len(code)] = code
    content[0x7FFA:] = bytes.fromhex("0090 0080 0090")
    return bytes(content)


@pytest.fixture(scope="session")
def small_machine(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Machine]:
    """Makes machines of RAM, ROM at $8000 and an `Obedient` card, which `obedient` gives."""

    def make(
        program: str,
        engine: str = "auto",
        *,
        handler: str = "40",
        cpu: str = "6502",
        at: str = "0111 1111 xxxx xxxx",
        wait: int | None = None,
        wait_states: str = "ready",
        lines: Mapping[str, str] | None = None,
        gaps: tuple[str, ...] = (),
        cards: str = "",
        files: tuple[Path, ...] = (),
    ) -> Machine:
        """A machine.

        Args:
            program: hexadecimal, at $8000.
            engine: the engine.
            handler: hexadecimal, at $9000, where all vectors but RESET lead.
            cpu: the part.
            at: where the card is selected; the RAM is not.
            wait: wait states of the card, which is a `Waiting` then.
            wait_states: how they are made.
            lines: to which lines its pins are joined.
            gaps: where else the RAM is not selected.
            cards: more cards, as in a machine file.
            files: what they need beside it.
        """
        folder = tmp_path_factory.mktemp("machine")
        for file in (CARD, *files):
            shutil.copy(file, folder)
        (folder / "rom.bin").write_bytes(image(program, handler))
        joined = ", ".join(f'{pin} = "{line}"' for pin, line in (lines or {}).items())
        text = MACHINE.format(
            cpu=cpu,
            wait_states=wait_states,
            gaps=[at, *gaps],
            card="Obedient" if wait is None else "Waiting",
            at=at,
            lines=joined,
            wait=wait or 0,
        )
        (folder / "machine.toml").write_text(text + cards)
        return Machine.load(folder, engine=engine)

    return make


@pytest.fixture(scope="session")
def obedient() -> Callable[[Machine], Any]:
    """Gives the `Obedient` card of a machine."""
    return lambda machine: next(seat.card for seat in machine.bus.seats if seat.slot == OBEDIENT_SLOT)
