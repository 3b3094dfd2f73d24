"""A live serial line at every speed: machine time beside host time."""

from types import SimpleNamespace

import pytest

from simkit import Machine
from simkit.outside import serial_host
from simkit.outside.speed import Speed


class Line:
    greeting = ""
    ended = False

    def __init__(self, *, live):
        self.live = live

    def read(self):
        return b""

    def write(self, data):
        pass

    def close(self):
        pass


@pytest.fixture
def slept(monkeypatch):
    """Host seconds that only sleeping lets go by."""
    seconds = [0.0]

    def sleep(length):
        seconds[0] += length

    monkeypatch.setattr(serial_host, "time", SimpleNamespace(monotonic=lambda: seconds[0], sleep=sleep))
    return seconds


@pytest.mark.parametrize(("speed", "seconds"), [("half", 0.4), ("real", 0.2), ("double", 0.1), ("fast", 0.0)])
def test_where_somebody_sits_machine_time_goes_as_the_speed_says(slept, speed, seconds):
    machine = Machine.load("demo:monitor")
    until = int(0.2 * machine.clock_hz)
    serial_host.converse(machine, machine.serial, Line(live=True), until=until, speed=Speed(speed))
    assert slept[0] == pytest.approx(seconds, abs=1e-4)


def test_what_is_piped_in_goes_as_fast_as_it_can(slept):
    machine = Machine.load("demo:monitor")
    serial_host.converse(machine, machine.serial, Line(live=False), until=100_000, speed=Speed.HALF)
    assert slept[0] == 0
