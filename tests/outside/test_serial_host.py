"""The host's end of a serial line: this terminal, TCP, pseudo-terminal, paste and capture."""

import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.files.growing import GrowingFile
from simkit.outside.serial_host import Paste, converse, open_line

HELLO = b"Bench M1 is ready.\r\n"


class Held:
    """A line whose bytes the test holds."""

    live = False
    greeting = ""

    def __init__(self, data=b""):
        self.data, self.seen, self.ended, self.closed = data, b"", False, False

    def read(self):
        data, self.data = self.data, b""
        self.ended = True
        return data

    def write(self, data):
        self.seen += data

    def close(self):
        self.closed = True


@pytest.fixture
def machine():
    return Machine.load("demo:bench")


def test_what_is_sent_before_the_card_listens_waits(machine):
    line = Held(b"slugs")
    assert converse(machine, machine.serial, line)
    assert line.seen == HELLO + b"slugs"
    assert line.closed
    assert not list(machine.findings)


def test_bytes_are_handed_over_at_the_rate_of_the_line(machine):
    data = bytes(range(256)) * 12
    line = Held(data)
    converse(machine, machine.serial, line)
    assert line.seen == HELLO + data
    assert machine.seconds >= len(data) * 10 / 19_200
    assert not list(machine.findings)


def test_a_pasted_text_gets_carriage_returns_and_pauses_after_lines(machine, tmp_path):
    text = tmp_path / "lines.txt"
    text.write_bytes(b"one\ntwo\r\nthree\n")
    capture = tmp_path / "seen.txt"
    line = Held()
    with GrowingFile(capture) as growing:
        converse(machine, machine.serial, line, paste=Paste.read(text, 100_000), capture=growing)
    assert line.seen == HELLO + b"one\rtwo\rthree\r"
    assert capture.read_bytes() == line.seen
    assert machine.cycle > 300_000


def test_a_run_ends_at_its_cycle(machine):
    converse(machine, machine.serial, Held(), until=12_345)
    assert 12_345 <= machine.cycle < 12_355


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("telnet", "no place for a terminal.\\nWrite here"),
        ("port:", "no port number"),
        ("port:70000", "no port number"),
        ("port:\u00b2", "no port number"),
        ("port:" + "9" * 5000, "no port number"),
        ("here:1", "no place"),
        ("device:1", "no place"),
        ("stdio", "no place"),
        ("tcp:6551", "no place"),
        ("port:0", "no port number"),
    ],
)
def test_a_wrong_line_is_told(text, words):
    with pytest.raises(SimkitError, match=words):
        open_line(text)


def test_a_paste_that_is_not_there_is_told(tmp_path):
    with pytest.raises(SimkitError, match="There is no text to paste"):
        Paste.read(tmp_path / "nothing")


@pytest.fixture
def started():
    """Starts `simkit run demo:bench --terminal LINE`; ends what is left."""
    running = []

    def start(line, **options):
        command = [sys.executable, "-c", "from simkit.commands.main import main; main()", "run", "demo:bench"]
        process = subprocess.Popen([*command, "--terminal", line], stderr=subprocess.PIPE, **options)
        running.append(process)
        return process

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()
        process.stderr.close()


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def receive(read, expected, seconds=10):
    """Read until the bytes are there."""
    found = b""
    end = time.monotonic() + seconds
    while expected not in found and time.monotonic() < end:
        found += read()
    assert expected in found
    return found


def stop(process):
    """Ctrl-C; the run says what came of it and leaves with 0."""
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 0
    told = process.stderr.read().decode()
    assert "Bench M1 ran" in told
    assert "Traceback" not in told


def test_a_caller_at_the_tcp_port_is_answered(started):
    port = free_port()
    process = started(f"port:{port}", stdin=subprocess.DEVNULL)
    assert f"port {port}" in process.stderr.readline().decode()
    for word in (b"first", b"second"):  # one caller after another
        with socket.create_connection(("127.0.0.1", port), timeout=10) as caller:
            caller.sendall(word)
            receive(lambda caller=caller: caller.recv(100), word)
    stop(process)


def test_the_tcp_port_is_not_open_to_the_network():
    port = free_port()
    line = open_line(f"port:{port}")
    assert line._listener.getsockname()[0] == "127.0.0.1"
    with pytest.raises(SimkitError, match="cannot be opened"):
        open_line(f"port:{port}")
    line.close()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_a_terminal_program_can_open_the_pseudo_terminal(started):
    process = started("device", stdin=subprocess.DEVNULL)
    name = process.stderr.readline().decode().split()[4].rstrip(";")
    fd = os.open(name, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(fd, b"hedgehog")
        receive(lambda: os.read(fd, 100), b"hedgehog")
    finally:
        os.close(fd)
    stop(process)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_a_terminal_sends_keys_at_once_and_is_given_back(started):
    import termios

    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    process = started("here", stdin=slave, stdout=slave)
    try:
        receive(lambda: os.read(master, 100), HELLO)
        os.write(master, b"x")
        receive(lambda: os.read(master, 100), b"x")
        os.write(master, b"\r")
        receive(lambda: os.read(master, 100), b"\r")
        stop(process)
        after = termios.tcgetattr(slave)
        assert after[:4] == before[:4]
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
@pytest.mark.parametrize("ending", ["SIGINT", "SIGTERM"])
def test_a_run_stopped_and_continued_takes_the_terminal_again_and_gives_it_back(started, ending):
    """Ctrl-Z and fg: the shell puts its own mode back, in which keys are echoed and come by the line."""
    import termios

    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    process = started("here", stdin=slave, stdout=slave)
    try:
        receive(lambda: os.read(master, 100), HELLO)
        process.send_signal(signal.SIGSTOP)
        os.waitpid(process.pid, os.WUNTRACED)
        termios.tcsetattr(slave, termios.TCSADRAIN, before)
        process.send_signal(signal.SIGCONT)
        end = time.monotonic() + 10
        while termios.tcgetattr(slave)[3] & termios.ECHO and time.monotonic() < end:
            time.sleep(0.01)
        os.write(master, b"x\r")
        assert receive(lambda: os.read(master, 100), b"\r") == b"x\r", "the machine's echo alone, once"
        process.send_signal(signal.Signals[ending])
        assert process.wait(10) == (0 if ending == "SIGINT" else 128 + signal.SIGTERM)
        assert "Traceback" not in process.stderr.read().decode()
        assert termios.tcgetattr(slave)[:4] == before[:4]
    finally:
        os.close(master)
        os.close(slave)


def test_piped_input_is_answered_and_the_run_ends(started):
    process = started("here", stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    process.stdin.write(b"slug")
    process.stdin.close()
    assert process.stdout.read() == HELLO + b"slug"
    assert process.wait(10) == 0
    process.stdout.close()


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        (b"", ""),
        (b"ab\rc", "cb"),
        (b"ab\nc", "ab\n  c"),
        (b"ab\r\nc\r\n", "ab\nc\n"),
        (b"ab\x08\x08\x08c\0\x1b", "cb"),
        (b"ab  \r\n", "ab\n"),
    ],
)
def test_the_text_of_a_serial_line_is_what_stands_on_a_terminal(machine, sent, shown):
    """Carriage return, line feed, backspace: common practice."""
    machine.serial.port.sent.extend((0, byte) for byte in sent)
    assert machine.serial.text() == shown


def test_a_terminal_that_adds_line_feeds_doubles_them_when_the_rom_sends_its_own(machine):
    machine.serial.port.sent.extend((0, byte) for byte in b"ab\r\nc")
    assert machine.serial.text(cr_adds_lf=True) == "ab\n\nc"


@pytest.mark.parametrize("error", [OSError("not a socket"), ValueError("closed")])
def test_where_standard_input_cannot_be_looked_at_tcp_is_advised(monkeypatch, error):
    """As on Windows, whose `select` takes sockets only (Python library reference, select.select)."""

    def refuse(*arguments):
        raise error

    monkeypatch.setattr("simkit.outside.serial_host.select.select", refuse)
    with pytest.raises(SimkitError, match="cannot be looked at without waiting") as caught:
        open_line("here")
    assert "port:6551" in caught.value.remedy
