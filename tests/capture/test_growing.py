"""Captures that grow while they are read: pipes, serial ports, files; what came stays, whatever ends it."""

import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from simkit.capture.growing import GrowingCapture
from simkit.contract.errors import SimkitError

HEADER = b"bus-lines 1 cycles rate=1MHz address data RW\n"


def lines(numbers):
    return b"".join(b"%04X %02X %d\n" % (0x8000 + n, n & 255, n & 1) for n in numbers)


@pytest.fixture
def fifo(tmp_path):
    path = tmp_path / "monitor"
    os.mkfifo(path)
    return path


def writing(path, pieces, pause=0.0):
    def write():
        with path.open("wb", buffering=0) as file:
            for piece in pieces:
                file.write(piece)
                time.sleep(pause)

    thread = threading.Thread(target=write)
    thread.start()
    return thread


@pytest.mark.needs("fifo")
def test_bus_lines_come_out_of_a_pipe_as_they_come_and_end_with_it(fifo):
    text = HEADER + lines(range(300))
    thread = writing(fifo, [text[:20], text[20:501], text[501:502], text[502:]], 0.05)
    with GrowingCapture(fifo) as capture:
        found = list(capture)
    thread.join()
    assert len(found) >= 2
    assert np.concatenate([each.address[0] for each in found]).tolist() == [0x8000 + n for n in range(300)]
    assert np.concatenate([each.time for each in found]).tolist() == pytest.approx([n * 1e-6 for n in range(300)])
    assert not np.concatenate([each.lost for each in found]).any()
    assert not capture.interrupted


@pytest.mark.needs("fifo")
def test_a_half_line_at_the_beginning_and_lost_lines_are_lost(fifo, tmp_path):
    channels = tmp_path / "channels.toml"
    channels.write_text('[capture]\nheader = "bus-lines 1 cycles address data RW"\n')
    thread = writing(fifo, [b"00 1\n" + lines(range(5)) + b"lost\n", lines(range(9, 12))], 0.3)
    with GrowingCapture(fifo, channels) as capture:
        found = list(capture)
    thread.join()
    assert np.concatenate([each.lost for each in found]).tolist() == [True, *[False] * 4, True, False, False]
    assert capture.notes == ["1 of 9 lines could not be read and count as lost; the first is line 1, '00 1'."]


@pytest.mark.needs("pty")
def test_a_serial_port_is_read_raw_and_left_as_it_was():
    import termios

    ours, port = os.openpty()
    before = termios.tcgetattr(port)
    ends = threading.Event()
    os.write(ours, HEADER.replace(b"\n", b"\r\n") + lines(range(50)).replace(b"\n", b"\r\n"))
    with GrowingCapture(Path(os.ttyname(port)), asked_to_end=ends.is_set) as capture:
        pieces = iter(capture)
        got = [next(pieces)]
        os.write(ours, lines(range(50, 60)))
        while sum(map(len, got)) < 60:
            got.append(next(pieces))
        ends.set()
        got += pieces
    assert termios.tcgetattr(port) == before
    os.close(ours)
    os.close(port)
    assert np.concatenate([each.data[0] for each in got]).tolist() == list(range(60))
    assert capture.interrupted


def test_a_file_that_grows_is_followed_until_it_is_quiet(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(HEADER + lines(range(3)))
    with GrowingCapture(path, quiet_seconds=0.1) as capture:
        pieces = iter(capture)
        assert len(next(pieces)) == 3
        with path.open("ab") as file:
            file.write(lines(range(3, 8)))
        assert sum(len(each) for each in pieces) == 5


def test_a_dump_gives_the_cycles_of_each_piece_once(tmp_path, monkeypatch):
    """Looked at in small pieces, they are those of the whole."""
    from simkit.capture import growing
    from simkit.capture.read import read_capture
    from simkit.measure.captures import a_bus, as_vcd

    path = tmp_path / "a.vcd"
    path.write_bytes(as_vcd(a_bus(40_000, busy=False)))
    whole = read_capture(path)
    monkeypatch.setattr(growing, "ROWS_AT_ONCE", 3000)
    monkeypatch.setattr("simkit.files.incoming.READ_BYTES", 50_000)
    with GrowingCapture(path, quiet_seconds=0.1) as capture:
        found = list(capture)
    assert len(found) > 3
    assert abs(sum(map(len, found)) - len(whole)) <= 1
    n = min(sum(map(len, found)), len(whole))
    for name in ("levels", "known", "lost"):
        assert np.array_equal(np.concatenate([getattr(each, name) for each in found])[:n], getattr(whole, name)[:n])
    assert np.allclose(np.concatenate([each.time for each in found])[:n], whole.time[:n])


@pytest.mark.needs("fifo")
def test_ctrl_c_keeps_what_came(fifo):
    def asked():
        if asked.seen:
            raise KeyboardInterrupt
        asked.seen = True
        return False

    asked.seen = False
    thread = writing(fifo, [HEADER + lines(range(10)), lines(range(10, 20))], 0.4)
    with GrowingCapture(fifo, asked_to_end=asked) as capture:
        found = list(capture)
        assert sum(map(len, found)) >= 10
        assert capture.interrupted
        while not capture._incoming.ended:
            capture._incoming.read(0.5)
    thread.join()


def test_what_does_not_grow_or_is_no_capture_is_refused(tmp_path):
    with pytest.raises(SimkitError, match="There is no capture"):
        GrowingCapture(tmp_path / "none")
    with pytest.raises(SimkitError, match="is no file, pipe or serial port"):
        GrowingCapture(tmp_path)
    path = tmp_path / "a.csv"
    path.write_text("a,b\n0,1\n")
    with GrowingCapture(path, quiet_seconds=0.1) as capture, pytest.raises(SimkitError, match="Neither bus lines nor"):
        list(capture)


@pytest.mark.needs("devices")
def test_a_device_that_is_no_serial_port_is_refused():
    with pytest.raises(SimkitError, match="is a device that is no serial port"):
        GrowingCapture(Path("/dev/zero"))
